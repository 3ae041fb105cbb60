"""When a shop's or a van's regular work began: one job with a wrong date does not open a history. Pure."""

from collections.abc import Collection

# A van without a job for this long counts as given up. Our choice, no source.
PAUSE_WEEKS = 13
# Work in fewer weeks than this is no regular work yet. Our choice, no source.
REGULAR_WEEKS = 3


def opening(worked: Collection[int]) -> int | None:
    """Return the week in which regular work began, None without any; weeks with work are given by number.

    The weeks fall into stretches, parted by PAUSE_WEEKS or more without work. Regular work began with the
    first stretch that has work in REGULAR_WEEKS or more; where none has, with the latest one.
    """
    stretches: list[list[int]] = []
    for week in sorted(worked):
        if not stretches or week - stretches[-1][-1] > PAUSE_WEEKS:
            stretches.append([])
        stretches[-1].append(week)
    if not stretches:
        return None
    regular = [stretch for stretch in stretches if len(stretch) >= REGULAR_WEEKS]
    return (regular or stretches[-1:])[0][0]
