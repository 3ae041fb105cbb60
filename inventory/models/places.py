"""Where stock can be: depots, vans, what is in transit, and the outside."""

from django.db import models
from django.db.models import Q

from inventory.models.validators import validate_code, validate_name


class PlaceKind(models.TextChoices):
    """Real places hold stock; outside places are where it comes from and goes to."""

    DEPOT = "depot"
    VAN = "van"
    TRANSIT = "transit"
    SUPPLIER = "supplier"
    JOB = "job"
    LOST = "lost"
    SCRAPPED = "scrapped"


REAL_KINDS = (PlaceKind.DEPOT, PlaceKind.VAN, PlaceKind.TRANSIT)


OUTSIDE_CODES = tuple(kind.value for kind in PlaceKind if kind not in REAL_KINDS)


class Place(models.Model):
    """Where stock can be. The four outside places are one row each, made by the first migration.

    Stock under way to a van stands at a place of its own, `bound_for` that van; see
    inventory.ledger.in_transit.
    """

    code = models.CharField(max_length=64, unique=True, validators=[validate_code])
    name = models.CharField(max_length=200, blank=True, validators=[validate_name])
    kind = models.CharField(max_length=16, choices=PlaceKind.choices)
    bound_for = models.OneToOneField(
        "self", null=True, editable=False, on_delete=models.PROTECT, related_name="transit"
    )

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(
                fields=["kind"],
                condition=Q(kind__in=OUTSIDE_CODES),
                name="place_outside_once",
            ),
            models.CheckConstraint(
                condition=Q(kind="transit", bound_for__isnull=False)
                | (~Q(kind="transit") & Q(bound_for__isnull=True)),
                name="place_in_transit_names_its_van",
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def is_real(self) -> bool:
        """Whether stock can be held here."""
        return self.kind in REAL_KINDS
