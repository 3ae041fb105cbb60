"""How many examples property tests try, by HYPOTHESIS_PROFILE.

Few by default; many with `thorough`; fewer with `repeat`, when the same tests run on SQLite too.
"""

import os


def examples(usual: int, most: int | None = None) -> int:
    """Return how many examples to try instead of the `usual` number: `thorough` means 20 times, or `most`."""
    profile = os.environ.get("HYPOTHESIS_PROFILE")
    if profile == "thorough":
        return usual * 20 if most is None else most
    return max(1, usual // 3) if profile == "repeat" else usual
