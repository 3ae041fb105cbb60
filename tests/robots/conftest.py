"""The filled shop that robots are let loose in."""

import logging
from collections.abc import Iterator

import pytest
from pytest_django.fixtures import Settings

from tests.robots.filled_shop import open_filled_shop


@pytest.fixture
def filled_shop(db: None, settings: Settings) -> Iterator[None]:
    """Fill the shop, and keep thousands of refused requests out of the log."""
    # Passwords of nobody; the slow hasher would take most of a robot's time.
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    open_filled_shop()
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)
