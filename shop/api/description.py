"""The API's description as a page, made from the OpenAPI schema without scripts."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator

from shop.models import Role
from shop.people.permissions import for_roles


@dataclass(frozen=True, slots=True)
class Field:
    """A parameter or a field of a body."""

    name: str
    where: str
    kind: str
    required: bool
    text: str


@dataclass(frozen=True, slots=True)
class Operation:
    """One method of one address."""

    method: str
    path: str
    text: str
    fields: tuple[Field, ...]
    answers: tuple[tuple[str, str], ...]


@require_safe
@for_roles(*Role)
def description(request: HttpRequest) -> HttpResponse:
    """Show every address of the API, what it takes and what it answers."""
    groups: dict[str, list[Operation]] = {}
    for operation in _operations():
        groups.setdefault(operation.path.split("/")[3], []).append(operation)
    context = {"title": "API", "groups": groups}
    return render(request, "shop/api/description.html", context)


@lru_cache(maxsize=1)
def _operations() -> tuple[Operation, ...]:
    """Return the operations of the schema, which does not change while the server runs."""
    schema: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    return tuple(
        _operation(path, method, said, schema)
        for path, methods in sorted(schema["paths"].items())
        for method, said in methods.items()
    )


def _operation(path: str, method: str, said: dict[str, Any], schema: dict[str, Any]) -> Operation:
    fields = [
        Field(
            parameter["name"],
            parameter["in"],
            _kind(parameter["schema"]),
            parameter.get("required", False),
            parameter.get("description", ""),
        )
        for parameter in said.get("parameters", ())
    ]
    body = said.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {})
    shape = _resolved(body.get("items", body), schema)
    fields += [
        Field(
            name,
            "body of each" if "items" in body else "body",
            _kind(field),
            name in shape.get("required", ()),
            field.get("description", ""),
        )
        for name, field in shape.get("properties", {}).items()
        if not field.get("readOnly")
    ]
    answers = tuple((status, _answer(answer)) for status, answer in said["responses"].items())
    return Operation(method.upper(), path, said.get("description", ""), tuple(fields), answers)


def _answer(answer: dict[str, Any]) -> str:
    """Return the shape of an answer; it has one media type."""
    return next((_kind(content["schema"]) for content in answer.get("content", {}).values()), "")


def _resolved(schema: dict[str, Any], whole: dict[str, Any]) -> dict[str, Any]:
    """Return what a schema refers to."""
    if "$ref" not in schema:
        return schema
    found: dict[str, Any] = whole["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    return found


def _kind(schema: dict[str, Any]) -> str:
    """Return as text what a value may be."""
    if "$ref" in schema:
        return str(schema["$ref"].rsplit("/", 1)[-1])
    for several in ("allOf", "oneOf", "anyOf"):
        if several in schema:
            return " or ".join(dict.fromkeys(_kind(one) for one in schema[several]))
    if schema.get("type") == "array":
        return f"list of {_kind(schema.get('items', {}))}"
    if "enum" in schema:
        return ", ".join(str(value) for value in schema["enum"] if value not in ("", None))
    kind = schema.get("format") or schema.get("type") or "anything"
    return " or ".join(kind) if isinstance(kind, list) else str(kind)
