"""The message broker that the environment variable REDIS_URL names."""

from urllib.parse import urlsplit

from django.core.exceptions import ImproperlyConfigured


def broker(url: str) -> str:
    """Return the URL of a Redis, or nothing when none is given.

    Raises ImproperlyConfigured, without showing the URL, which may hold a password.
    """
    if not url:
        return ""
    try:
        parts = urlsplit(url)
        named = bool(parts.path.strip("/")) if parts.scheme == "redis+socket" else bool(parts.hostname)
        usable = parts.scheme in {"redis", "rediss", "redis+socket"} and named and parts.port != 0
    except ValueError:
        usable = False
    if not usable:
        raise ImproperlyConfigured(
            "REDIS_URL does not name a Redis; write it as redis://:PASSWORD@HOST:6379/0, rediss:// with TLS, "
            "or redis+socket:///run/redis/redis.sock; leave it empty to work without one"
        )
    return url
