"""How many examples property tests try: few by default, many with HYPOTHESIS_PROFILE=thorough."""

import os


def examples(usual: int, most: int | None = None) -> int:
    """Return how many examples to try instead of the `usual` number: twenty times as many, or `most`."""
    if os.environ.get("HYPOTHESIS_PROFILE") != "thorough":
        return usual
    return usual * 20 if most is None else most
