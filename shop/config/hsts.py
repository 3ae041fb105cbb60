"""How far browsers keep to HTTPS (RFC 6797), as the environment variable HSTS says."""

from collections.abc import Collection

from django.core.exceptions import ImproperlyConfigured

ONE_YEAR_S = 31_536_000
SUBDOMAINS, PRELOAD = "subdomains", "preload"


def hsts(words: Collection[str]) -> dict[str, object]:
    """Return Django's settings of HSTS: this host alone for a year, and further only as the words ask.

    With `subdomains` a browser refuses plain HTTP on every other site below the host's name as well, which no
    shop can take back. Raises ImproperlyConfigured for unknown words.
    """
    if unknown := set(words) - {SUBDOMAINS, PRELOAD}:
        raise ImproperlyConfigured(
            f"HSTS has {', '.join(sorted(unknown))!r}; leave it empty for this host alone, or give "
            f"{SUBDOMAINS} or {SUBDOMAINS},{PRELOAD}"
        )
    if PRELOAD in words and SUBDOMAINS not in words:
        raise ImproperlyConfigured(
            f"HSTS has {PRELOAD} without {SUBDOMAINS}; browsers' lists take a host only with all below its "
            f"name: give {SUBDOMAINS},{PRELOAD}, or leave it empty"
        )
    return {
        "SECURE_HSTS_SECONDS": ONE_YEAR_S,
        "SECURE_HSTS_INCLUDE_SUBDOMAINS": SUBDOMAINS in words,
        "SECURE_HSTS_PRELOAD": PRELOAD in words,
        # Django's check of a deployment asks for both; here the shop decides.
        "SILENCED_SYSTEM_CHECKS": ["security.W005", "security.W021"],
    }
