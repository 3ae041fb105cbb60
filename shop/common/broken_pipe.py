"""Ending quietly when the reader of the output stops early, as `head` does."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def quiet_when_nobody_reads() -> Iterator[None]:
    """Exit with 1 and without a traceback on a broken pipe; flush within, or the pipe breaks later."""
    try:
        yield
    except BrokenPipeError:
        # Python flushes again at its exit: into nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None
