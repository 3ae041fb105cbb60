"""What is kept of where somebody signs in from: words for the device, and the network only roughly.

Nothing is looked up elsewhere: the words are read from what the browser says of itself (User-Agent, RFC 9110
section 10.1.5), the network from the address.
"""

from collections.abc import Mapping
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

# The first that is named counts: browsers also name those that they are compatible with.
BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("SamsungBrowser/", "Samsung Internet"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
SYSTEMS = (
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("CrOS", "ChromeOS"),
    ("Mac OS X", "macOS"),
    ("Linux", "Linux"),
)
# Loopback, link-local and private networks (RFC 1122, 3927, 1918, 4291, 4193).
LOCAL = tuple(
    ip_network(text)
    for text in (
        *("127.0.0.0/8", "169.254.0.0/16", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"),
        *("::1/128", "fe80::/10", "fc00::/7"),
    )
)


def device_words(user_agent: str) -> str:
    """Return a device as text, such as "Firefox on Android"."""
    browser = next((name for mark, name in BROWSERS if mark in user_agent), "A browser")
    system = next((name for mark, name in SYSTEMS if mark in user_agent), "an unknown system")
    return f"{browser} on {system}"


def is_phone(headers: Mapping[str, str]) -> bool:
    """Return whether a request's headers say that its device is a phone.

    By the client hint Sec-CH-UA-Mobile (User-Agent Client Hints, W3C) where the browser sends it, else by
    "Mobi" in the User-Agent, which browsers of phones say of themselves.
    """
    hint = headers.get("Sec-CH-UA-Mobile")
    return hint == "?1" if hint else "Mobi" in headers.get("User-Agent", "")


def rough_network(address: str | None) -> str:
    """Return the network of an address, too wide to tell one household: /24 of IPv4, /48 of IPv6."""
    if address is None:
        return "an unknown address"
    found = _address(address)
    if any(found in network for network in LOCAL):
        return "a local network"
    return str(ip_network((found, 24 if found.version == 4 else 48), strict=False))


def one_client(address: str | None) -> str:
    """Return what counts as one client: an IPv4 address; of IPv6 the whole /64 (RFC 4291 section 2.5.4)."""
    if address is None:
        return "unknown"
    found = _address(address)
    return str(found) if found.version == 4 else str(ip_network((found, 64), strict=False))


def _address(text: str) -> IPv4Address | IPv6Address:
    """Return an address; one of IPv4 that is written as IPv6 (RFC 4291 section 2.5.5.2) as IPv4."""
    found = ip_address(text)
    mapped = found.ipv4_mapped if isinstance(found, IPv6Address) else None
    return mapped or found
