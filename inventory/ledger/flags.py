"""What a posting says to a person about its days, on the shop's clocks. Pure.

Flags are stored with their document for good. So when the shop's clocks were set otherwise then, what a flag
says stays, and `as_shown` adds the day by today's setting.
"""

import re
from collections.abc import Sequence
from datetime import datetime, tzinfo

MINUTE = "%Y-%m-%d %H:%M"
DAY = "%Y-%m-%d"
_COUNTS_ON = re.compile(r"in a locked period; counts on (\d{4}-\d\d-\d\d)$")
_DATED = re.compile(r"^dated (\d{4}-\d\d-\d\d \d\d:\d\d), in the future;")


def in_future(occurred_at: datetime, zone: tzinfo) -> str:
    """Return the flag of a document that is dated after it was recorded."""
    return f"dated {occurred_at.astimezone(zone):{MINUTE}}, in the future; check the clock"


def late(posted_at: datetime, zone: tzinfo) -> str:
    """Return the flag of a document that counts later than it happened, since its period was locked."""
    return f"happened in a locked period; counts on {posted_at.astimezone(zone):{DAY}}"


def undone_late(posted_at: datetime, zone: tzinfo) -> str:
    """Return the flag of a correction that counts later than what it undoes."""
    return f"undoes what is in a locked period; counts on {posted_at.astimezone(zone):{DAY}}"


def before_count(lost: str, place: str, counted_at: datetime, count: str, zone: tzinfo) -> str:
    """Return the flag of what is entered after a count as having come before it, and was not found by it."""
    return (
        f"{place} was counted after this came, on {counted_at.astimezone(zone):{DAY}}, and {lost} count as "
        f"lost; if they were not on the shelf yet, undo count {count} and count them in"
    )


def as_shown(
    flags: Sequence[str], *, occurred_at: datetime, posted_at: datetime, zone: tzinfo
) -> tuple[str, ...]:
    """Return stored flags of a document; one that names another day than `zone` gives says both."""
    return tuple(_as_shown(flag, occurred_at.astimezone(zone), posted_at.astimezone(zone)) for flag in flags)


def _as_shown(flag: str, occurred_at: datetime, posted_at: datetime) -> str:
    for pattern, due in ((_COUNTS_ON, f"{posted_at:{DAY}}"), (_DATED, f"{occurred_at:{MINUTE}}")):
        named = pattern.search(flag)
        if named and named[1] != due:
            return f"{flag} (by the shop's clocks: {due})"
    return flag
