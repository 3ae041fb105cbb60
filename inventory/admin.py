"""Set-up data of the stock to change; the ledger to look at, never to touch."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from django.contrib import admin
from django.db.models import Model, QuerySet
from django.http import HttpRequest

from inventory import models
from inventory.models import OUTSIDE_CODES, PlaceKind

if TYPE_CHECKING:
    ModelAdmin = admin.ModelAdmin[Any]
else:
    ModelAdmin = admin.ModelAdmin


class SetUpAdmin(ModelAdmin):
    """Set-up data: anyone with access to the site may change it."""

    list_per_page = 100

    def has_module_permission(self, request: HttpRequest) -> bool:
        """Ask the site."""
        return self.admin_site.has_permission(request)

    def has_view_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Ask the site."""
        return self.admin_site.has_permission(request)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Ask the site."""
        return self.admin_site.has_permission(request)

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Ask the site."""
        return self.admin_site.has_permission(request)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Ask the site; what the books name is protected by the database."""
        return self.admin_site.has_permission(request)


class ReadOnlyAdmin(SetUpAdmin):
    """Rows to look at: they come about through documents and commands only."""

    actions: Sequence[str] | None = None
    # A count of all movements would take longer than the page.
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest) -> bool:  # noqa: ARG002
        """Refuse."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Refuse."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Refuse."""
        return False


@admin.register(models.Place)
class PlaceAdmin(SetUpAdmin):
    """Depots and vans; the outside places stay as they are."""

    list_display = ("code", "name", "kind")
    list_filter = ("kind",)
    search_fields = ["code", "name"]

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """Refuse to change where stock comes from and goes to."""
        outside = isinstance(obj, models.Place) and obj.kind in OUTSIDE_CODES
        return not outside and super().has_change_permission(request, obj)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """Refuse to delete where stock comes from and goes to."""
        outside = isinstance(obj, models.Place) and obj.kind in OUTSIDE_CODES
        return not outside and super().has_delete_permission(request, obj)

    def get_readonly_fields(self, request: HttpRequest, obj: Model | None = None) -> tuple[str, ...]:  # noqa: ARG002
        """Keep what documents and files name as it is."""
        return ("code", "kind") if obj else ()

    def formfield_for_choice_field(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer depot and van only: other places come about by themselves."""
        if db_field.name == "kind":
            kwargs["choices"] = [
                c for c in models.PlaceKind.choices if c[0] in (PlaceKind.DEPOT, PlaceKind.VAN)
            ]
        return super().formfield_for_choice_field(db_field, request, **kwargs)


class CodeAdmin(SetUpAdmin):
    """Set-up data that documents name by a code, which therefore stays."""

    search_fields = ["code", "name"]

    def get_readonly_fields(self, request: HttpRequest, obj: Model | None = None) -> tuple[str, ...]:  # noqa: ARG002
        """Keep the code once it is there."""
        return ("code",) if obj else ()


@admin.register(models.Consumable)
class ConsumableAdmin(CodeAdmin):
    """What work uses up."""

    list_display = ("code", "name", "kind", "stock_unit", "grade", "life_minutes", "shelf_life_days")
    list_filter = ("kind", "grade")


@admin.register(models.Supplier)
class SupplierAdmin(CodeAdmin):
    """Who sells consumables."""

    list_display = ("code", "name", "email")


@admin.register(models.Pack)
class PackAdmin(SetUpAdmin):
    """What suppliers sell."""

    list_display = ("consumable", "supplier", "name", "stock_units")
    list_select_related = ("consumable", "supplier")
    search_fields = ("consumable__code", "supplier__code", "name")


@admin.register(models.LowLevel)
class LowLevelAdmin(SetUpAdmin):
    """When a place is low."""

    list_display = ("place", "consumable", "quantity")
    list_select_related = ("place", "consumable")
    list_filter = ("place",)
    search_fields = ("place__code", "consumable__code")


@admin.register(models.Document)
class DocumentAdmin(ReadOnlyAdmin):
    """What was posted, as it was sent."""

    list_display = ("kind", "client_id", "occurred_at", "posted_at", "recorded_by", "flags")
    list_filter = ("kind",)
    search_fields = ("client_id",)
    fields = (
        ("kind", "client_id"),
        "content",
        "flags",
        ("occurred_at", "posted_at", "recorded_at"),
        "recorded_by",
        "supplier",
        "corrects",
        "digest",
    )


@admin.register(models.Movement)
class MovementAdmin(ReadOnlyAdmin):
    """What went where."""

    list_display = ("document", "line", "consumable", "quantity", "source", "destination", "posted_at")
    list_select_related = ("document", "consumable", "source", "destination")
    search_fields = ("document__client_id", "consumable__code")
    ordering = ("-posted_at", "-pk")


@admin.register(models.CountLine)
class CountLineAdmin(ReadOnlyAdmin):
    """What counts found."""

    list_display = ("document", "line", "place", "consumable", "quantity", "counted_at")
    list_select_related = ("document", "place", "consumable")
    search_fields = ("document__client_id", "place__code", "consumable__code")


@admin.register(models.Lot)
class LotAdmin(ReadOnlyAdmin):
    """What was received as one batch."""

    list_display = ("consumable", "code", "document", "expires_on")
    list_select_related = ("consumable", "document")
    search_fields = ("code", "document__client_id", "consumable__code")


@admin.register(models.Holding)
class HoldingAdmin(ReadOnlyAdmin):
    """What is where by the book."""

    list_display = ("place", "consumable", "quantity")
    list_select_related = ("place", "consumable")
    list_filter = ("place",)
    search_fields = ("place__code", "consumable__code")
    ordering = ("place__code", "consumable__code")


@admin.register(models.MovementValue)
class MovementValueAdmin(ReadOnlyAdmin):
    """What movements are worth."""

    list_display = ("movement", "consumable", "value", "provisional")
    list_select_related = ("movement__document", "movement__consumable")
    list_filter = ("provisional",)
    search_fields = ("movement__document__client_id", "movement__consumable__code")

    @admin.display(ordering="movement__consumable__code")
    def consumable(self, row: models.MovementValue) -> str:
        """Return the code of what moved."""
        return row.movement.consumable.code


@admin.register(models.CostAdjustment)
class CostAdjustmentAdmin(ReadOnlyAdmin):
    """What provisional uses cost in the end."""

    list_display = ("consumable", "posted_at", "quantity", "valued", "actual", "amount")
    list_select_related = ("consumable",)
    search_fields = ("consumable__code",)


@admin.register(models.PeriodChange)
class PeriodChangeAdmin(ReadOnlyAdmin):
    """When the books were locked or reopened, by whom and why."""

    list_display = ("changed_at", "changed_by", "locked_until", "reason")


@admin.register(models.CostPolicy, models.Books)
class BooksAdmin(ReadOnlyAdmin):
    """How the books are kept."""

    def get_queryset(self, request: HttpRequest) -> QuerySet[Any]:
        """Return the rows in the order they were made."""
        return super().get_queryset(request).order_by("pk")


@admin.register(models.RefusedDocument)
class RefusedDocumentAdmin(ReadOnlyAdmin):
    """What came under an id that was taken."""

    list_display = ("kind", "client_id", "refused_at", "refused_by", "reason", "resolved_at")
    list_filter = ("kind",)
    search_fields = ("client_id",)
