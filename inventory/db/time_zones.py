"""Which time zones books may be kept by. Pure except for the tz database."""

from zoneinfo import available_timezones

# Files of the tz database that stand for a machine's own setting, or for none.
NOT_A_ZONE = frozenset({"localtime", "Factory", "posixrules"})


def time_zone_problem(name: str) -> str | None:
    """Return what is wrong with a time zone's name, or None."""
    if name in NOT_A_ZONE or name not in available_timezones():
        return f"{name!r} is not a time zone of the tz database, such as Europe/Lisbon"
    return None
