"""The accountant's period: the month before, unless another is asked for."""

from shop.web.period_form import PeriodForm


class BooksPeriodForm(PeriodForm):
    """A period of the books."""

    usual = "last month"
