"""The decimals of the books: four places, computed with enough digits that one rounding is the last."""

from decimal import Decimal

PLACES = 4
LAST_PLACE = Decimal(1).scaleb(-PLACES)
# Value times quantity of the largest amounts needs up to 40 digits; a root or quotient is then rounded once.
PRECISION = 60
ZERO = Decimal(0)
ONE = Decimal(1)
HUNDRED = Decimal(100)
