"""A transaction that is tried once more when another process wrote what it builds on."""

from collections.abc import Callable
from typing import TypeVar

from django.db import IntegrityError, connection, transaction

T = TypeVar("T")


class RacedError(Exception):
    """What a document undoes was committed while its pools were being locked; trying again sees it whole."""


def once_more_if_raced(work: Callable[[], T]) -> T:
    """Run `work` in a transaction; once more when another process wrote what it builds on meanwhile.

    Inside a transaction of the caller's there is no second try: the caller's would see the same rows.
    """
    if connection.in_atomic_block:
        with transaction.atomic():
            return work()
    try:
        with transaction.atomic():
            return work()
    except (IntegrityError, RacedError):
        with transaction.atomic():
            return work()
