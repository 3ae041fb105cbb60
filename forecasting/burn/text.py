"""A forecast as text. Pure."""

from collections.abc import Sequence

STATED = 0.95

MODELS = {
    "panel levels per job": (
        "The use per job, learned from this van and the others, times the jobs to be expected."
    ),
    "panel levels": "The recent use of this van and of the others, weighed together.",
    "panel levels with season": (
        "The recent use of this van and the others, weighed together, with the season of the whole shop."
    ),
    "simple smoothing": "An average of this van's weeks in which newer ones count more.",
    "Croston": "This van's usual amount over its usual pause between two uses (Croston 1972).",
    "Syntetos-Boylan": (
        "This van's usual amount over its usual pause between two uses, without the excess that this has on "
        "average (Syntetos and Boylan 2005)."
    ),
    "Teunter-Syntetos-Babai": (
        "This van's usual amount times the chance that a week has any use, which fades while it has none "
        "(Teunter, Syntetos and Babai 2011)."
    ),
    "smoothing of even demand": (
        "An average of this van's weeks in which newer ones count more, spread as evenly as the use was."
    ),
}
CLASSES = {
    "smooth": "used most weeks, in similar amounts",
    "erratic": "used most weeks, in very different amounts",
    "intermittent": "used now and then, in similar amounts",
    "lumpy": "used now and then, in very different amounts",
    "no demand": "not used yet",
}


def held_in_words(level: float, held: int, tested: int, weeks_ahead: int) -> str:
    """Say how often demand of the past stayed at or under a quantile that was forecast before."""
    if not tested:
        return "The history is too short to say how good such forecasts were."
    times = "weeks" if weeks_ahead == 1 else f"intervals of {weeks_ahead} weeks"
    return f"The stated {level:.0%} held in {held:,} of {tested:,} {times}."


def bias_in_words(bias: float | None) -> str:
    """Say how far forecasts of the past lay above what came, as a share of it; None: nothing came."""
    if bias is None:
        return "Nothing was used in the weeks that were forecast, so their mean can only have been too high."
    if abs(bias) < 0.005:
        return "Their mean came out right in sum."
    return f"Their mean was {abs(bias):.0%} too {'high' if bias > 0 else 'low'} in sum."


def place_of_level(levels: Sequence[float], level: float) -> int:
    """Return where a level is stored. Raises ValueError when it is not."""
    place = stored_place(levels, level)
    if place is None:
        raise ValueError(f"Level {level} is not stored; the stored ones are {', '.join(map(str, levels))}")
    return place


def stored_place(levels: Sequence[float], level: float) -> int | None:
    """Return where a level is stored, or None where it is not: runs of other times may have other levels."""
    return next((place for place, stored in enumerate(levels) if abs(stored - level) < 1e-9), None)
