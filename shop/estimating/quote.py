"""What work that a customer asks for will take and cost, with how sure that is: facts gathered for
shop.estimating.prediction_intervals and shop.estimating.quote_warnings, at today's unit costs and rates."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from inventory.decimals import ZERO
from inventory.items.grit_grades import GRADE_ORDER
from inventory.models import Consumable, ConsumableKind
from shop.costing.formulas import minutes_cost, overhead_cost, rate_on, rounded_share, wear_cost
from shop.costing.job_costs import Rates
from shop.costing.last_landed_cost import known_unit_costs
from shop.estimating.prediction_intervals import Asked, Basis, Range, basis_for, price_for, spread
from shop.estimating.quote_warnings import DamageSeen, Doubt, Reason, doubts_of_price, doubts_of_work
from shop.estimating.reference_jobs import Took, latest_jobs, taken_by
from shop.models import JobType, StandardUse

COST_NAMES = ("materials", "wear", "labour", "overhead")


@dataclass(frozen=True, slots=True)
class QuoteLine:
    """How much of something: of a grade, with the minutes on it, or of a consumable."""

    label: str
    unit: str
    amount: Range
    minutes: Range | None = None


@dataclass(frozen=True, slots=True)
class Quote:
    """An estimate. Without a basis it is the standard of the job type, and without that nothing is known.

    `asking` and `asking_high` leave the shop's target over the median and the upper end of the cost; `price`
    is compared with them: the given price, else the list price.

    `minutes` are all of labour, `other_minutes` those on no grade; travel is left out. Costs are in the
    shop's currency, each with its own median, so that the parts' need not add up to the total's.
    """

    basis: Basis | None
    discs: Sequence[QuoteLine]
    others: Sequence[QuoteLine]
    minutes: Range | None
    other_minutes: Range | None
    costs: Mapping[str, Range]
    total: Range | None
    asking: Decimal | None
    asking_high: Decimal | None
    list_price: Decimal | None
    price: Decimal | None
    doubts: Sequence[Doubt]

    @property
    def is_known(self) -> bool:
        """Whether there is anything to show."""
        return self.minutes is not None

    @property
    def margin(self) -> Decimal | None:
        """What the price usually leaves over all costs but travel."""
        return None if self.price is None or self.total is None else self.price - self.total.median


@dataclass(frozen=True, slots=True)
class QuoteTerms:
    """How the shop prices and writes: its target, the currency's digits, and how money and lengths look."""

    target_percent: Decimal
    digits: int
    money: Callable[[Decimal], str]
    length: Callable[[Decimal], str]


@dataclass(slots=True)
class _Work:
    """One job to estimate from: a past one, or the standard."""

    labour_minutes: Decimal
    technician: str
    took: Took = field(default_factory=Took)


def quote(asked: Asked, seen: DamageSeen, price: Decimal | None, terms: QuoteTerms, today: date) -> Quote:
    """Return the estimate of what is asked; a bounded number of past jobs is read, in at most ten queries."""
    of_damage = latest_jobs(asked.damage_type)
    basis = basis_for(asked, of_damage) or basis_for(asked, of_damage, latest_jobs())
    job_type = JobType.objects.filter(code=asked.job_type).first() if asked.job_type else None
    if basis is not None:
        took, consumables = taken_by(basis.jobs)
        works = [_Work(job.labour_minutes, job.technician, took[job.key]) for job in basis.jobs]
    else:
        works, consumables = _standard(job_type)
    list_price = job_type.list_price if job_type and job_type.list_price else None
    return _Estimating(works, consumables, basis, terms, today).quote(asked, seen, price, list_price)


def _standard(job_type: JobType | None) -> tuple[list[_Work], dict[int, Consumable]]:
    """Return the standard of a job type as the only work to go by, nothing where it has none. One query."""
    if job_type is None:
        return [], {}
    uses = list(StandardUse.objects.filter(job_type=job_type).select_related("consumable"))
    if not uses and not job_type.standard_minutes:
        return [], {}
    work = _Work(job_type.standard_minutes, "")
    for use in uses:
        work.took.add(use.consumable, use.quantity, use.minutes)
    return [work], {use.consumable_id: use.consumable for use in uses}


class _Estimating:
    """Turns some works into ranges of amounts and money."""

    def __init__(
        self,
        works: Sequence[_Work],
        consumables: Mapping[int, Consumable],
        basis: Basis | None,
        terms: QuoteTerms,
        today: date,
    ) -> None:
        self.works, self.consumables, self.basis, self.terms = works, consumables, basis, terms
        self.costing = _Costing(consumables.values(), today) if works else None

    def quote(
        self, asked: Asked, seen: DamageSeen, in_mind: Decimal | None, list_price: Decimal | None
    ) -> Quote:
        """Return the estimate with its price and its doubts."""
        price = list_price if in_mind is None else in_mind
        doubts = list(doubts_of_work(asked, seen, self.basis, self.terms.length))
        if self.costing is None:
            return Quote(self.basis, (), (), None, None, {}, None, None, None, list_price, price, doubts)
        costs = [self.costing.of(work) for work in self.works]
        total = self._range(sum(parts, ZERO) for parts in costs)
        asking, asking_high = self._price(total.median), self._price(total.high)
        if self.costing.unknown:
            words = f"No cost is known of {', '.join(self.costing.unknown)}: counted as free."
            doubts.append(Doubt(Reason.NO_COST_KNOWN, words, of_costs=True))
        if price is not None:
            doubts += doubts_of_price(price, asking, total, self.terms.money)
        on_grades = [sum(work.took.minutes.values(), ZERO) for work in self.works]
        return Quote(
            self.basis,
            self._discs(),
            self._others(),
            self._range(work.labour_minutes for work in self.works),
            self._range(
                max(work.labour_minutes - graded, ZERO)
                for work, graded in zip(self.works, on_grades, strict=True)
            ),
            {name: self._range(parts[number] for parts in costs) for number, name in enumerate(COST_NAMES)},
            total,
            asking,
            asking_high,
            list_price,
            price,
            doubts,
        )

    def _price(self, cost: Decimal | None) -> Decimal | None:
        return None if cost is None else price_for(cost, self.terms.target_percent, self.terms.digits)

    def _range(self, amounts: Iterable[Decimal], *, in_whole: bool = False) -> Range:
        """Return the range over all works; of a standard just its amount."""
        found = list(amounts)
        if self.basis is None:
            return Range(found[0])
        return spread(found, self.basis.factors, in_whole=in_whole)

    def _discs(self) -> list[QuoteLine]:
        grades = {grade for work in self.works for grade in work.took.discs}
        lines = [
            QuoteLine(
                grade,
                "each",
                self._range((work.took.discs.get(grade, ZERO) for work in self.works), in_whole=True),
                self._range(work.took.minutes.get(grade, ZERO) for work in self.works),
            )
            for grade in sorted(grades, key=lambda grade: GRADE_ORDER.get(grade, 0))
        ]
        return [line for line in lines if _is_likely(line)]

    def _others(self) -> list[QuoteLine]:
        used = {consumable for work in self.works for consumable in work.took.others}
        lines = []
        for found in sorted((self.consumables[pk] for pk in used), key=lambda found: found.name):
            amounts = (work.took.others.get(found.pk, ZERO) for work in self.works)
            in_whole = found.kind == ConsumableKind.COUNTED
            lines.append(QuoteLine(found.name, found.stock_unit, self._range(amounts, in_whole=in_whole)))
        return [line for line in lines if _is_likely(line)]


def _is_likely(line: QuoteLine) -> bool:
    """Return whether more than a few jobs take any of it."""
    return line.amount.median > 0 or bool(line.amount.high)


class _Costing:
    """What work costs today. Three queries."""

    def __init__(self, consumables: Iterable[Consumable], today: date) -> None:
        self.consumables = {consumable.pk: consumable for consumable in consumables}
        found = known_unit_costs(self.consumables.values())
        self.unit_costs = {pk: found.get(pk, ZERO) for pk in self.consumables}
        self.unknown = sorted(row.name for pk, row in self.consumables.items() if pk not in found)
        self.rates, self.today = Rates(), today
        self.overhead = rate_on(self.rates.overhead, today)

    def of(self, work: _Work) -> tuple[Decimal, Decimal, Decimal, Decimal]:
        """Return materials, wear, labour and overhead of a piece of work, each rounded to 4 places.

        Labour is at today's rate of the technician who did it.
        """
        materials = (
            rounded_share(self.unit_costs[pk], quantity, Decimal(1))
            for pk, quantity in work.took.quantities.items()
        )
        wear = (
            wear_cost(minutes, self.unit_costs[pk], life)
            for pk, minutes in work.took.worn_minutes.items()
            if (life := self.consumables[pk].life_minutes)
        )
        minutes = work.labour_minutes
        overhead = (
            overhead_cost(minutes, self.overhead.monthly_overhead, self.overhead.capacity_minutes)
            if self.overhead
            else ZERO
        )
        per_hour = self.rates.labour_per_hour(work.technician, self.today)
        return sum(materials, ZERO), sum(wear, ZERO), minutes_cost(minutes, per_hour), overhead
