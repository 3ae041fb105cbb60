"""Currencies books can be kept in, and their decimal places: ISO 4217, list one. Pure.

ACTIVE holds the alphabetic codes of list one as published on 2026-01-01 by its maintenance agency (SIX),
except units that nobody pays in: precious metals (XAU), bond market units (XBA), units of account (XDR, XAD),
the test code XTS and XXX for no currency. Taken from a schema generated from that list, and compared with
that of the Debian package iso-codes 4.15, from which it differs by what list one withdrew or added since.

OTHER_DIGITS has the currencies with other than two decimal places; compared with the table that Firefox
generates from list one (js/src/builtin/intl/CurrencyDataGenerated.h, version 2026-01-01).
"""

_ACTIVE = (
    "AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BHD BIF BMD BND BOB BOV BRL BSD BTN BWP BYN BZD "
    "CAD CDF CHE CHF CHW CLF CLP CNY COP COU CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP "
    "GBP GEL GHS GIP GMD GNF GTQ GYD HKD HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR "
    "KMF KPW KRW KWD KYD KZT LAK LBP LKR LRD LSL LYD MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN "
    "MXV MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR RON RSD RUB RWF SAR SBD "
    "SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS UAH UGX "
    "USD USN UYI UYU UYW UZS VED VES VND VUV WST XAF XCD XCG XOF XPF YER ZAR ZMW ZWG"
)
ACTIVE = frozenset(_ACTIVE.split())
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


def currency_problem(currency: str) -> str | None:
    """Return what is wrong with the code of a currency to keep books in, or None."""
    if currency not in ACTIVE:
        return f"{currency!r} is not the code of a currency in use by ISO 4217, such as EUR"
    return None
