"""What the schema says can be asked of the API: each operation, its parameters, and a body that would do."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from drf_spectacular.generators import SchemaGenerator

from forecasting.models import Purchase, Restock
from shop.models import Finding
from tests.inventory.small_shop import day

METHODS = ("get", "put", "post", "delete")
# What a field of a name holds in the filled shop, in bodies and addresses.
SENSIBLE: dict[str, Any] = {
    "job": "J-robot",
    "van": "van-a",
    "technician": "ann",
    "job_type": "scratch-small",
    "damage_type": "scratch",
    "glass": "tempered",
    "outcome": "removed",
    "consumable": "disc-p400",
    "place": "depot",
    "supplier": "maker",
    "customer": "K-1",
    "source": "depot",
    "destination": "van-a",
    "share_by": "value",
    "returns_kind": "close",
    "returns_id": "close-D-1",
    "corrects_kind": "scrap",
    "corrects_id": "S-1",
    "callback_of": "D-5",
    "expires_on": "2027-01-31",
    "day": "2026-01-31",
    "number": "1",
    "code": "robot",
    "name": "robot",
    "reference": "J-robot",
    "client_id": "robot-1",
    "kind": "counted",
    "grade": "P400",
    "email": "someone@example.org",
    "site": "Front 0",
    "pack": "box",
    "stock_unit": "each",
}


@dataclass(slots=True)
class Operation:
    """A method of a route; `addresses` name what is there to ask about, `fields` are the body's by path."""

    method: str
    path: str
    query: list[str]
    body: Any = None
    fields: dict[tuple[Any, ...], str] = field(default_factory=dict)
    addresses: list[str] = field(default_factory=list)

    @property
    def label(self) -> str:
        """The operation as people name it."""
        return f"{self.method} {self.path}"


def operations() -> Iterator[Operation]:
    """Yield every operation of the API."""
    schema: Any = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    for path, methods in schema["paths"].items():
        for method in METHODS:
            if (found := methods.get(method)) is None:
                continue
            query = [given["name"] for given in found.get("parameters", ()) if given["in"] == "query"]
            made = Operation(method.upper(), path, query, addresses=list(_addresses(path)))
            content = found.get("requestBody", {}).get("content", {})
            if content:
                made.body = _example(schema, next(iter(content.values()))["schema"], (), made.fields, "")
            yield made


def _addresses(path: str) -> Iterator[str]:
    """Yield the addresses of a route: of each step of restocks, purchases and questions there are."""
    named: dict[str, list[Any]] = {}
    if "/restocks/{" in path:
        named["id"] = list(Restock.objects.order_by("pk").values_list("pk", flat=True))
    elif "/purchases/{" in path:
        named["number"] = list(Purchase.objects.order_by("pk").values_list("number", flat=True))
    elif "/findings/{" in path:
        named["number"] = list(Finding.objects.order_by("pk").values_list("pk", flat=True)[:2])
    for name, values in named.items():
        for value in values:
            yield with_names(path, {name: value, "pk": value})
    if not named:
        yield with_names(path, {})


def with_names(path: str, named: dict[str, Any]) -> str:
    """Return the address of a route with values in its places, which are already quoted."""
    parts = path.split("{")
    made = parts[0]
    for part in parts[1:]:
        name, _, rest = part.partition("}")
        made += f"{named.get(name, SENSIBLE.get(name, 'robot'))}{rest}"
    return made


def _example(
    schema: Any, of: Any, path: tuple[Any, ...], fields: dict[tuple[Any, ...], str], name: str
) -> Any:
    """Return a value that would do, noting the kind of each field by its path."""
    of = _resolved(schema, of)
    kind = of.get("type", "number" if "oneOf" in of else "string")
    kind = kind[0] if isinstance(kind, list) else kind
    if kind == "object":
        if path:
            fields[path] = "object"
        properties = of.get("properties", {})
        writable = {each: said for each, said in properties.items() if not said.get("readOnly")}
        return {each: _example(schema, said, (*path, each), fields, each) for each, said in writable.items()}
    if kind == "array":
        if path:
            fields[path] = "array"
        return [_example(schema, of["items"], (*path, 0), fields, name)]
    fields[path] = of.get("format", kind)
    if name in SENSIBLE:
        return SENSIBLE[name]
    if "enum" in of:
        return of["enum"][0]
    return {
        "date-time": day(200).isoformat(),
        "date": "2026-07-01",
        "number": 1,
        "integer": 1,
        "boolean": False,
    }.get(of.get("format", kind), "robot")


def _resolved(schema: Any, of: Any) -> Any:
    while "$ref" in of or "allOf" in of:
        of = of["allOf"][0] if "allOf" in of else schema["components"]["schemas"][of["$ref"].split("/")[-1]]
    if "oneOf" in of and any("$ref" in one for one in of["oneOf"]):
        return _resolved(schema, of["oneOf"][0])
    return of
