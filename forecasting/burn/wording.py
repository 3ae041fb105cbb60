"""How a forecast is said in words. Pure."""

from collections.abc import Sequence

STATED = 0.95


def held_in_words(level: float, held: int, tested: int, weeks_ahead: int) -> str:
    """Say how often demand of the past stayed at or under a quantile that was forecast before."""
    if not tested:
        return "The history is too short to say how good such forecasts were."
    times = "weeks" if weeks_ahead == 1 else f"intervals of {weeks_ahead} weeks"
    return f"The stated {level:.0%} held in {held:,} of {tested:,} {times}."


def place_of_level(levels: Sequence[float], level: float) -> int:
    """Return where a level is stored. Raises ValueError when it is not."""
    for place, stored in enumerate(levels):
        if abs(stored - level) < 1e-9:
            return place
    raise ValueError(f"Level {level} is not stored; the stored ones are {', '.join(map(str, levels))}")
