"""How many examples property tests try: few by default, many with HYPOTHESIS_PROFILE=thorough."""

import os


def examples(usual: int) -> int:
    """Return how many examples to try instead of the `usual` number."""
    return usual * 20 if os.environ.get("HYPOTHESIS_PROFILE") == "thorough" else usual
