"""A null character in an address or a form: nobody types one, and PostgreSQL cannot store or compare one."""

from collections.abc import Callable

from django.core.exceptions import BadRequest
from django.http import HttpRequest, HttpResponse, QueryDict

NULL = "\0"


def refuse_null_characters(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Answer 400 to a request with a null character in its path, its query or the fields of its form.

    The bodies of programs are checked where they are read (shop.api).
    """

    def middleware(request: HttpRequest) -> HttpResponse:
        if NULL in request.path_info or _has_null(request.GET) or _has_null(request.POST):
            raise BadRequest("A null character cannot be kept; leave it out.")
        return get_response(request)

    return middleware


def _has_null(fields: QueryDict) -> bool:
    return any(NULL in text for name, texts in fields.lists() for text in (name, *map(str, texts)))
