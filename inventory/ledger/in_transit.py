"""Stock in transit from the depot to a van: a place of its own for each van."""

from inventory.documents import LONGEST_CODE
from inventory.models import Place, PlaceKind

SUFFIX = "-UNDER-WAY"


def transit_place(van: Place) -> Place:
    """Return the place of what is under way to a van, made when it is first needed.

    Its code is the van's with a suffix; when that is taken or too long, the van's number in the database
    makes it one of its own. Safe under several workers.
    """
    code = f"{van.code}{SUFFIX}"
    if len(code) > LONGEST_CODE or Place.objects.filter(code=code).exclude(bound_for=van).exists():
        code = f"{van.code[: LONGEST_CODE - len(SUFFIX) - 20]}{SUFFIX}-{van.pk}"
    place, _ = Place.objects.get_or_create(
        bound_for=van,
        defaults={
            "code": code,
            "name": f"Under way to {van.name or van.code}"[:200],
            "kind": PlaceKind.TRANSIT,
        },
    )
    return place
