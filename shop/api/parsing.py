"""Strict JSON: exact numbers, no duplicate field, no more than a document needs."""

import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import IO, Any

from rest_framework import status
from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import BaseParser

# A count of a full depot is about 100 kB.
LARGEST_BODY_BYTES = 1_000_000


class TooLarge(APIException):
    """A body beyond the limit."""

    status_code = status.HTTP_413_REQUEST_ENTITY_TOO_LARGE
    default_detail = f"The body is larger than {LARGEST_BODY_BYTES:,} bytes; send it in several documents."
    default_code = "too_large"


class ExactJSONParser(BaseParser):
    """Reads UTF-8 JSON (RFC 8259); a number with a point becomes a Decimal, so 0.1 is a tenth."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,  # noqa: ARG002 - the signature is the framework's
        parser_context: Mapping[str, Any] | None = None,  # noqa: ARG002
    ) -> Any:
        """Return the value. Raises ParseError for invalid JSON, TooLarge beyond the limit."""
        body: bytes = stream.read(LARGEST_BODY_BYTES + 1)
        if len(body) > LARGEST_BODY_BYTES:
            raise TooLarge
        try:
            return json.loads(
                body.decode("utf-8"),
                parse_float=Decimal,
                parse_constant=_refuse_constant,
                object_pairs_hook=_object,
            )
        except InvalidOperation as error:
            raise ParseError("The body is not JSON: a number has too large an exponent.") from error
        except UnicodeDecodeError as error:
            raise ParseError(f"The body is not UTF-8: byte {error.start + 1}.") from error
        except RecursionError as error:
            raise ParseError("The body is nested too deeply.") from error
        except ValueError as error:
            raise ParseError(f"The body is not JSON: {error}.") from error


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{twice!r} is given twice")
    return found
