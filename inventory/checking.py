"""Does the ledger agree with itself?"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Disagreement:
    """One stored fact that differs from what its source gives."""

    what: str
    where: str
    stored: object
    expected: object
