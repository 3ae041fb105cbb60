"""Errors as problem details (RFC 9457): the field, its line, the value and what was expected."""

from collections.abc import Iterable, Sequence
from http import HTTPStatus
from typing import Any

from django.core.exceptions import BadRequest
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.urls.converters import StringConverter
from django.views.decorators.csrf import csrf_exempt
from rest_framework import serializers
from rest_framework.exceptions import APIException, PermissionDenied
from rest_framework.response import Response
from rest_framework.views import exception_handler as framework_handler

from inventory.documents import Problem
from inventory.ledger import Conflict, Refused
from shop.common import error_pages

MEDIA_TYPE = "application/problem+json"
LONGEST_SHOWN = 200
HEADERS_KEPT = ("WWW-Authenticate", "Allow", "Retry-After")


class Malformed(Exception):
    """A body of the wrong shape."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = problems
        super().__init__("; ".join(str(problem) for problem in problems))


class ErrorSerializer(serializers.Serializer[Any]):
    """One problem."""

    field = serializers.CharField()
    line = serializers.IntegerField(allow_null=True, help_text="from 1; null: about the whole document")
    value = serializers.CharField(allow_null=True, help_text="as it was read; null: it was not given")
    expected = serializers.CharField()


class ProblemSerializer(serializers.Serializer[Any]):
    """A refusal; nothing was written."""

    type = serializers.CharField(help_text="about:blank: the status says it all")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    errors = ErrorSerializer(  # type: ignore[assignment] # declared fields are taken off the class
        many=True, required=False
    )


def problem_of(error: Exception) -> dict[str, Any] | None:
    """Return the problem details of an error that a client can correct, None for any other."""
    response = problem_handler(error, {})
    return None if response is None else response.data


class Anything(StringConverter):
    """The rest of an address, line breaks included, which Django's own `path` would not match."""

    regex = "(?s:.*)"


@csrf_exempt
def no_such_route(request: HttpRequest, **_rest: str) -> JsonResponse:
    """Answer an unknown address under /api/."""
    detail = f"{request.path[:LONGEST_SHOWN]} is not an address of this API; the list is at /api/v1/."
    return _status_problem(HTTPStatus.NOT_FOUND, detail)


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer a server error: as problem details under /api/, as a page elsewhere."""
    if request.path.startswith("/api/"):
        return _status_problem(
            HTTPStatus.INTERNAL_SERVER_ERROR, "This is our fault; try again, and tell an owner."
        )
    return error_pages.server_error(request)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer a request that cannot be read at all."""
    if request.path.startswith("/api/"):
        said = str(exception) if isinstance(exception, BadRequest) else "The request cannot be read."
        return _status_problem(HTTPStatus.BAD_REQUEST, said)
    return error_pages.bad_request(request, exception)


def _status_problem(status: HTTPStatus, detail: str) -> JsonResponse:
    body = {"type": "about:blank", "title": status.phrase, "status": status.value, "detail": detail}
    return JsonResponse(body, status=status, content_type=MEDIA_TYPE)


def problem_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn any error that a client can correct into problem details; others stay server errors."""
    if isinstance(error, Refused | Malformed):
        conflict = isinstance(error, Conflict)
        found = [p for _, p in error.problems] if isinstance(error, Refused) else error.problems
        return _response(
            HTTPStatus.CONFLICT if conflict else HTTPStatus.BAD_REQUEST,
            _summary(found, conflict=conflict),
            found,
        )
    response = framework_handler(error, context)
    if response is None:
        return None
    if isinstance(error, Http404):
        detail = "There is no such document, or you may not see it."
    elif isinstance(error, APIException):
        detail = str(error.detail)
    else:
        detail = str(PermissionDenied.default_detail)
    headers = {name: response[name] for name in HEADERS_KEPT if name in response}
    return _response(HTTPStatus(response.status_code), detail, headers=headers)


def _response(
    status: HTTPStatus, detail: str, problems: Iterable[Problem] = (), headers: dict[str, str] | None = None
) -> Response:
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": status.phrase,
        "status": status.value,
        "detail": detail,
    }
    if errors := [_error(problem) for problem in problems]:
        body["errors"] = errors
    return Response(body, status=status, headers=headers, content_type=MEDIA_TYPE)


def _summary(problems: Sequence[Problem], *, conflict: bool) -> str:
    first = _shown(str(problems[0]))
    more = f"; and {len(problems) - 1} more, see errors" if len(problems) > 1 else ""
    # What conflicts with something earlier is kept for the owner, but does not count.
    done = "Nothing was counted" if conflict else "Nothing was written"
    return f"{done}: {first}{more}."


def _error(problem: Problem) -> dict[str, Any]:
    return {
        "field": _shown(problem.field),
        "line": problem.line,
        "value": None if problem.value is None else _shown(problem.value),
        "expected": _shown(problem.expected, longest=2000),
    }


def _shown(value: object, *, longest: int = LONGEST_SHOWN) -> str:
    """Return a value as text that can be sent: JSON allows a lone surrogate, UTF-8 does not."""
    return str(value)[:longest].encode("utf-8", "replace").decode()
