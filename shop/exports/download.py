"""An answer that a browser keeps as a file."""

import re

from django.http import HttpResponse

# RFC 4180.
CSV = "text/csv; charset=utf-8; header=present"
UNSAFE_IN_NAME = re.compile(r"[^A-Za-z0-9._-]")


def as_attachment(name: str) -> str:
    """Return the Content-Disposition (RFC 6266) of a file; what a name may not hold becomes a dash."""
    return f'attachment; filename="{UNSAFE_IN_NAME.sub("-", name)}"'


def download(content: bytes, name: str, media_type: str) -> HttpResponse:
    """Return a file to keep."""
    headers = {"Content-Disposition": as_attachment(name)}
    return HttpResponse(content, content_type=media_type, headers=headers)
