"""A private Redis for tests that run real workers."""

import os
from collections.abc import Iterator

import pytest

from tests.servers import (
    RedisMissingError,
    RedisServer,
    redis_server,
)


@pytest.fixture
def redis() -> Iterator[RedisServer]:
    """Run a private Redis; without one on the machine the test is skipped, except in CI."""
    try:
        with redis_server() as server:
            yield server
    except RedisMissingError as missing:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(missing))
