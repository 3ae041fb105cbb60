"""One filled shop for all robots: it is made once, and each test undoes what it does there."""

import logging
from collections.abc import Iterator

import pytest
from django.db import transaction
from pytest_django.plugin import DjangoDbBlocker

from tests.robots.filled_shop import open_filled_shop


@pytest.fixture(scope="package")
def filled_shop(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[None]:
    """Fill the shop in a transaction around the tests of this folder that ask for it."""
    with (
        django_db_blocker.unblock(),
        pytest.MonkeyPatch.context() as patch,
        transaction.atomic(),
    ):
        # Passwords of nobody; the slow hasher would take most of a robot's time.
        patch.setattr(
            "django.conf.settings.PASSWORD_HASHERS", ["django.contrib.auth.hashers.MD5PasswordHasher"]
        )
        open_filled_shop()
        yield
        transaction.set_rollback(True)


@pytest.fixture
def quiet() -> Iterator[None]:
    """Keep thousands of refused requests out of the log."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
