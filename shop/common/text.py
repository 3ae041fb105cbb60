"""Counts and values as messages show them. Pure."""

MOST_SHOWN = 60


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, which takes an s unless there is one: 1 row, 2 rows, 1,000 rows."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def shortened(text: str) -> str:
    """Return a text of at most MOST_SHOWN characters, one that is longer with its end left out."""
    return text if len(text) <= MOST_SHOWN else f"{text[: MOST_SHOWN - 1]}…"
