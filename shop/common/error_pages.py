"""Pages for what went wrong: the shop's layout, what to do, and a way back.

The page of a server failure reads nothing from the database, as that may be what failed. Nor does the page of
an unreadable request, as that happens before anybody knows who asks.
"""

import sys
from http import HTTPStatus

from django.core.exceptions import BadRequest
from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string
from django.utils import timezone

AGAIN = "Go back, check what you typed, and send it again."


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer a page that failed here."""
    found = sys.exc_info()[1]
    if isinstance(found, OperationalError | InterfaceError):
        title = "The database does not answer"
        said = "Wait a minute, then try again. If it stays so, the person who runs the server must start it."
    else:
        title = "Something failed here"
        said = "This is our fault, not yours. If it fails again, tell an owner what is below."
    if request.method == "POST":
        said += " What you sent may not have been kept: look whether it is there before you send it again."
    return _page(request, HTTPStatus.INTERNAL_SERVER_ERROR, title, said, shows_moment=True)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer a request that cannot be read at all."""
    said = str(exception) if isinstance(exception, BadRequest) else "Your browser sent what cannot be read."
    return _page(request, HTTPStatus.BAD_REQUEST, "That cannot be read", f"{said} {AGAIN}")


def stale_form(request: HttpRequest, reason: str = "") -> HttpResponse:  # noqa: ARG001 - Django's words for programmers
    """Answer a form without this sign-in's secret: from before it, or from elsewhere."""
    said = (
        "This form is from before you last signed in, or your browser keeps no cookies; nothing was changed. "
        "Reload the page, and send it from there."
    )
    return _page(request, HTTPStatus.FORBIDDEN, "Reload the page", said)


def _page(
    request: HttpRequest, status: HTTPStatus, title: str, said: str, *, shows_moment: bool = False
) -> HttpResponse:
    can_ask_again = request.method == "GET" and status != HTTPStatus.BAD_REQUEST
    context = {
        "title": title,
        "said": said,
        "again": request.get_full_path() if can_ask_again else "",
        "moment": f"{timezone.now():%Y-%m-%d %H:%M} UTC" if shows_moment else "",
        "path": request.path[:200],
    }
    # Without the request, so that no context processor asks the database who this is.
    return HttpResponse(render_to_string("shop/error.html", context), status=status)
