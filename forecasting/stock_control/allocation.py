"""Sharing a depot's short stock among the vans that ask for it. Pure.

Units are whole usable units; the same unit counts stock, wants and the demand distribution of a van.
"""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

from forecasting.arrays import FloatArray
from forecasting.stock_control.discrete_demand import exceedances, expected_shortages

# Probabilities that differ by rounding alone are equal; the order of asking must not decide between them.
TIE_DIGITS = 12


@dataclass(frozen=True, slots=True, eq=False)
class Claim:
    """What one van asks for.

    `stock` is on hand plus on the way, negative when owed; `wanted` the most it takes (up to its level, and
    within its space); `demand` the distribution of its demand over the protection interval.
    """

    van: str
    stock: int
    wanted: int
    demand: FloatArray


def share(available: int, claims: Sequence[Claim]) -> dict[str, int]:
    """Units for each van, at most what it wants; together min(available, all that is wanted).

    Each unit goes where it lowers the expected shortage most, which is where demand most likely exceeds the
    stock so far. As that likelihood falls with each unit, no other sharing leaves a smaller expected
    shortage in total. Of equals the van with the larger expected shortage is first, then the van whose name
    is. Source: marginal analysis, Fox 1966, Operations Research 14(2).

    Raises ValueError when the available or a wanted quantity is negative, a van asks twice, or an array is no
    distribution.
    """
    if available < 0:
        raise ValueError(f"Available units {available} are negative; share 0 while the depot owes stock")
    asking = _asking(claims)
    likelihoods = {van: exceedances(claim.demand) for van, claim in asking.items()}
    shortages = {van: expected_shortages(claim.demand) for van, claim in asking.items()}
    given = dict.fromkeys(asking, 0)

    def turn(van: str) -> tuple[float, float, str]:
        stock = asking[van].stock + given[van]
        likelihood = 1.0 if stock < 0 else _entry(likelihoods[van], stock)
        shortage = _entry(shortages[van], max(stock, 0)) - min(stock, 0)
        return -round(likelihood, TIE_DIGITS), -round(shortage, TIE_DIGITS), van

    turns = [turn(van) for van, claim in asking.items() if claim.wanted > 0]
    heapq.heapify(turns)
    while turns and available > 0:
        van = turns[0][-1]
        given[van] += 1
        available -= 1
        if given[van] < asking[van].wanted:
            heapq.heapreplace(turns, turn(van))
        else:
            heapq.heappop(turns)
    return given


def _entry(values: FloatArray, stock: int) -> float:
    """The entry for a stock of 0 or more; 0 above the largest possible demand."""
    return float(values[stock]) if stock < values.size else 0.0


def _asking(claims: Sequence[Claim]) -> dict[str, Claim]:
    asking: dict[str, Claim] = {}
    for claim in claims:
        if claim.wanted < 0:
            raise ValueError(
                f"{claim.van}: wanted units {claim.wanted} are negative; a van that has enough wants 0"
            )
        if claim.van in asking:
            raise ValueError(f"{claim.van} asks twice for the same stock; add its claims together")
        asking[claim.van] = claim
    return asking
