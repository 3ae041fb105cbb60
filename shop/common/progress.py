"""Progress of long work: a bar that a command shows, and none for everyone else."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

Progress = Callable[[int], object]
# Opens a progress bar of a title and a total; what it gives is called with each advance.
Bar = Callable[[str, int], AbstractContextManager[Progress]]


def no_bar(_title: str, _total: int) -> AbstractContextManager[Progress]:
    """Show nothing."""
    return nullcontext(lambda _: None)
