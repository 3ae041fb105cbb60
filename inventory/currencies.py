"""Decimal places of currencies: the minor units of ISO 4217, list one. Pure.

Currencies with other than two decimal places; compared with the table that Firefox generates from the list
(js/src/builtin/intl/CurrencyDataGenerated.h, version 2026-01-01).
"""

USUAL_DIGITS = 2
OTHER_DIGITS = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
_DIGITS = {code: digits for digits, codes in OTHER_DIGITS.items() for code in codes.split()}


def minor_unit_digits(currency: str) -> int:
    """Return the decimal places of a currency given by its three letters."""
    return _DIGITS.get(currency, USUAL_DIGITS)
