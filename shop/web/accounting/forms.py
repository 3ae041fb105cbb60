"""The accountant's period: the month before, unless another is asked for."""

from datetime import date

from shop.accounting.period_reconciliation import open_period
from shop.accounting.periods import NAMES, Period
from shop.web.period_form import PeriodForm

OPEN_PERIOD = "open period"


class BooksPeriodForm(PeriodForm):
    """A period of the books."""

    usual = "last month"


class LateForm(BooksPeriodForm):
    """The period in which late documents count: the open one, where they are still to be looked at."""

    usual = OPEN_PERIOD
    names = (OPEN_PERIOD, *NAMES)

    def days_of(self, name: str, today: date) -> Period:
        """Return the period of a name."""
        return open_period() if name == OPEN_PERIOD else super().days_of(name, today)
