"""What jobs of a kind usually take, from the latest closes. Pure.

A technician's own closes say it when there are enough of them, otherwise everybody's; where even those are
few, there is no answer and the job type's standard applies.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from statistics import median

from inventory.decimals import ZERO

# Fewer closes than this say too little about what is usual. Our choice, no source.
LEAST_CLOSES = 3


@dataclass(frozen=True, slots=True)
class PastClose:
    """A closed job: its kind, who did it, its minutes, and (quantity, minutes) of each consumable it took."""

    kind: Hashable
    technician: int
    labour_minutes: Decimal
    travel_minutes: Decimal
    uses: Mapping[str, tuple[Decimal, Decimal]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Usual:
    """The medians of some closes of one kind; quantities in stock units, minutes whole."""

    closes: int
    own: bool
    labour_minutes: Decimal
    travel_minutes: Decimal
    uses: Mapping[str, tuple[Decimal, Decimal]]


def usual_by_kind(closes: Iterable[PastClose], technician: int) -> dict[Hashable, Usual]:
    """Return what each kind of job usually takes when this technician does it."""
    by_kind: dict[Hashable, list[PastClose]] = defaultdict(list)
    for close in closes:
        by_kind[close.kind].append(close)
    found = {}
    for kind, all_ in by_kind.items():
        own = [close for close in all_ if close.technician == technician]
        chosen = own if len(own) >= LEAST_CLOSES else all_
        if len(chosen) >= LEAST_CLOSES:
            found[kind] = _usual(chosen, own=chosen is own)
    return found


def _usual(closes: Sequence[PastClose], *, own: bool) -> Usual:
    """A consumable that fewer than half of the closes took has a median of nothing and is left out."""
    codes = {code for close in closes for code in close.uses}
    medians = {
        code: (
            _middle(close.uses.get(code, (ZERO, ZERO))[0] for close in closes),
            _middle(close.uses.get(code, (ZERO, ZERO))[1] for close in closes),
        )
        for code in codes
    }
    return Usual(
        len(closes),
        own,
        _middle(close.labour_minutes for close in closes),
        _middle(close.travel_minutes for close in closes),
        {code: medians[code] for code in sorted(medians) if any(medians[code])},
    )


def _middle(values: Iterable[Decimal]) -> Decimal:
    """Return the median as a whole number: half a disc is no disc, and half a minute says nothing."""
    return median(list(values)).quantize(Decimal(1), ROUND_HALF_UP)
