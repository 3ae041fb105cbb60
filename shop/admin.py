"""Set-up data of the shop to change; jobs' costs and findings to look at."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.forms import UserChangeForm
from django.contrib.auth.models import Group
from django.core.exceptions import ValidationError
from django.db.models import Model, QuerySet
from django.http import HttpRequest, HttpResponse

from inventory.admin import CodeAdmin, ConsumableAdmin, ReadOnlyAdmin, SetUpAdmin
from inventory.models import Consumable, Place, PlaceKind
from shop import models
from shop.jobs.bookings import save_booked
from shop.models import JobStatus
from shop.people.user_status import last_owner_problem
from shop.setup.standards_form import StandardsAdmin

if TYPE_CHECKING:
    PersonAdminBase = UserAdmin[models.Person]
    Inline = admin.TabularInline[Any, Any]
    JobFormBase = forms.ModelForm[models.Job]
    PersonFormBase = forms.ModelForm[models.Person]
else:
    PersonAdminBase = UserAdmin
    Inline = admin.TabularInline
    JobFormBase = forms.ModelForm
    PersonFormBase = UserChangeForm

SET_SHOP_NOTE = "Change this with: python manage.py set_shop (job costs follow at once; --help lists all)"

# Roles give all permissions; Django's groups would be a second, unused way.
admin.site.unregister(Group)
# The stock keeps no standards of jobs, so its own form cannot say from when one counts.
admin.site.unregister(Consumable)


class PersonForm(PersonFormBase):
    """A person; the last owner stays one."""

    def clean(self) -> dict[str, Any]:
        """Refuse to remove the last owner."""
        said: dict[str, Any] = super().clean() or self.cleaned_data
        stays = said.get("role") == models.Role.OWNER and said.get("is_active")
        if not stays and not self.instance.is_superuser and (problem := last_owner_problem(self.instance)):
            raise ValidationError(problem)
        return said


@admin.register(models.Person)
class PersonAdmin(SetUpAdmin, PersonAdminBase):
    """Who signs in, and as what."""

    form = PersonForm
    list_display = ("username", "first_name", "last_name", "role", "is_active", "last_login")
    list_filter = ("role", "is_active")
    search_fields = ("username", "first_name", "last_name")
    filter_horizontal = ()
    fieldsets = (
        (None, {"fields": ("username", "password")}),
        ("Person", {"fields": ("first_name", "last_name", "email", "role", "is_active")}),
    )
    add_fieldsets = (
        (None, {"fields": ("username", "usable_password", "password1", "password2")}),
        ("Person", {"fields": ("first_name", "last_name", "email", "role")}),
    )

    def get_readonly_fields(self, request: HttpRequest, obj: Model | None = None) -> tuple[str, ...]:  # noqa: ARG002
        """Keep the name under which documents were recorded."""
        return ("username",) if obj else ()

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Refuse: documents say who recorded them; clear is_active instead."""
        return False


@admin.register(models.Van)
class VanAdmin(SetUpAdmin):
    """Vans; their stock is at their place."""

    list_display = ("place", "registration")
    list_select_related = ("place",)
    search_fields = ("place__code", "registration")

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer places that are vans."""
        if db_field.name == "place":
            kwargs["queryset"] = Place.objects.filter(kind=PlaceKind.VAN)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)


@admin.register(models.Technician)
class TechnicianAdmin(CodeAdmin):
    """Technicians, with the sign-in and the van of each."""

    list_display = ("code", "name", "person", "van")
    list_select_related = ("person", "van__place")

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer the vans, read at once."""
        if db_field.name == "van":
            kwargs["queryset"] = models.Van.objects.select_related("place")
        return super().formfield_for_foreignkey(db_field, request, **kwargs)


@admin.register(Consumable)
class ConsumableWithCostAdmin(StandardsAdmin, ConsumableAdmin):
    """What work uses up, and what it should cost."""


class SetUpInline(Inline):
    """Rows edited with what they belong to, by anyone with access to the site."""

    extra = 0

    def has_view_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Ask the site."""
        return self.admin_site.has_permission(request)

    has_change_permission = has_view_permission
    has_delete_permission = has_view_permission
    has_add_permission = has_view_permission


class SiteInline(SetUpInline):
    """The sites of a customer."""

    model = models.Site


class StandardUseInline(SetUpInline):
    """What a service should take."""

    model = models.StandardUse

    def get_formset(self, request: HttpRequest, obj: Any = None, **kwargs: Any) -> Any:
        """Return the formset with its consumables read once, not once a row."""
        formset = super().get_formset(request, obj, **kwargs)
        field = cast("forms.ModelChoiceField[Consumable]", formset.form.base_fields["consumable"])
        field.choices = list(cast("Iterable[Any]", field.choices))
        return formset


@admin.register(models.JobType)
class JobTypeAdmin(StandardsAdmin):
    """Services, with what each should take."""

    list_display = ("code", "name", "list_price", "standard_minutes")
    inlines = (StandardUseInline,)


@admin.register(models.DamageType)
class DamageTypeAdmin(CodeAdmin):
    """Kinds of damage."""

    search_fields = ["code"]


@admin.register(models.GlassType)
class GlassTypeAdmin(CodeAdmin):
    """Kinds of glass, with the caution of each."""

    list_display = ("code", "caution")
    search_fields = ["code"]


@admin.register(models.Customer)
class CustomerAdmin(CodeAdmin):
    """Customers with their sites."""

    list_display = ("code", "name", "email", "phone")
    search_fields = ["code", "name", "email", "phone"]
    inlines = (SiteInline,)


@admin.register(models.Site)
class SiteAdmin(SetUpAdmin):
    """Where glass is."""

    list_display = ("name", "customer", "address")
    list_select_related = ("customer",)
    search_fields = ("name", "address", "customer__name", "customer__code")
    raw_id_fields = ("customer",)


class VanFilter(admin.SimpleListFilter):
    """Jobs of one van; the vans are read at once."""

    title = "van"
    parameter_name = "van"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:  # noqa: ARG002
        """Return the vans."""
        return [(str(pk), code) for pk, code in models.Van.objects.values_list("pk", "place__code")]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Any]) -> QuerySet[Any] | None:  # noqa: ARG002
        """Return the jobs of the chosen van, all when none is chosen or it is not one of these."""
        chosen = self.value()
        known = {pk for pk, _ in self.lookup_choices}
        return queryset.filter(van=chosen) if chosen in known else queryset


class BookedJobForm(JobFormBase):
    """A job that is booked or cancelled."""

    def clean_callback_of(self) -> models.Job | None:
        """Refuse callbacks that form a loop."""
        named: models.Job | None = self.cleaned_data["callback_of"]
        current = named
        seen = {self.instance.pk}
        while current is not None:
            if current.pk in seen:
                raise ValidationError(f"{named} is itself a callback of this job, directly or over others")
            seen.add(current.pk)
            current = current.callback_of
        return named


@admin.register(models.Job)
class JobAdmin(SetUpAdmin):
    """Bookings; a closed job changes through documents only."""

    form = BookedJobForm
    list_display = ("reference", "status", "booked_for", "van", "technician", "job_type", "closed_at")
    list_select_related = ("van__place", "technician", "job_type")
    list_filter = ("status", VanFilter)
    search_fields = ("reference", "site__name", "site__customer__name")
    raw_id_fields = ("site", "callback_of")
    show_full_result_count = False
    actions = None

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """Refuse to change a closed job."""
        closed = isinstance(obj, models.Job) and obj.status == JobStatus.CLOSED
        return not closed and super().has_change_permission(request, obj)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Refuse: cancel the booking instead."""
        return False

    def get_readonly_fields(self, request: HttpRequest, obj: Model | None = None) -> tuple[str, ...]:  # noqa: ARG002
        """Keep the reference, and show how a closed job ended."""
        if not isinstance(obj, models.Job):
            return ()
        ended = ("closed_at", "outcome", "labour_minutes", "travel_minutes", "original")
        return ("reference", *(ended if obj.status == JobStatus.CLOSED else ()))

    def formfield_for_choice_field(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer booked and cancelled: only a close closes."""
        if db_field.name == "status":
            kwargs["choices"] = [choice for choice in JobStatus.choices if choice[0] != JobStatus.CLOSED]
        return super().formfield_for_choice_field(db_field, request, **kwargs)

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer the vans, read at once."""
        if db_field.name == "van":
            kwargs["queryset"] = models.Van.objects.select_related("place")
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def get_object(self, request: HttpRequest, object_id: str, from_field: str | None = None) -> Any:
        """Return the job, locked while it is written, so that no close slips in between."""
        job = super().get_object(request, object_id, from_field)
        if job is not None and request.method == "POST":
            job = models.Job.objects.select_for_update().get(pk=job.pk)
        return job

    def save_model(self, request: HttpRequest, obj: models.Job, form: Any, change: bool) -> None:  # noqa: ARG002, FBT001
        """Save the job with the first job of its chain of callbacks."""
        save_booked(obj)


class CommandAdmin(ReadOnlyAdmin):
    """What a command changes, with a note that says so."""

    def changelist_view(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Show the list under the note."""
        return super().changelist_view(request, {"subtitle": SET_SHOP_NOTE, **(extra_context or {})})

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show the row under the note."""
        context = {"subtitle": SET_SHOP_NOTE, **(extra_context or {})}
        return super().change_view(request, object_id, form_url, context)


@admin.register(models.Shop)
class ShopAdmin(CommandAdmin):
    """The shop itself."""

    list_display = ("name", "currency", "time_zone", "target_margin_percent")


@admin.register(models.LabourRate)
class LabourRateAdmin(CommandAdmin):
    """What an hour costs, from a day on."""

    list_display = ("effective_from", "technician", "per_hour")
    list_select_related = ("technician",)


@admin.register(models.FormerStandard)
class FormerStandardAdmin(ReadOnlyAdmin):
    """What was the standard before a day; changes of a job type or consumable keep it."""

    list_display = ("job_type", "consumable", "value", "in_force_before")
    list_select_related = ("job_type", "consumable")


@admin.register(models.OverheadRate)
class OverheadRateAdmin(CommandAdmin):
    """What a month costs, from a day on."""

    list_display = ("effective_from", "monthly_overhead", "capacity_minutes", "vehicle_per_minute")


@admin.register(models.JobUse)
class JobUseAdmin(ReadOnlyAdmin):
    """What jobs took, as logged."""

    list_display = ("job", "document", "line", "consumable", "quantity", "minutes", "spoilt")
    list_select_related = ("job", "document", "consumable")
    search_fields = ("job__reference", "consumable__code")
    ordering = ("-pk",)


@admin.register(models.JobCost)
class JobCostAdmin(ReadOnlyAdmin):
    """What documents posted to jobs."""

    list_display = (
        "job",
        "document",
        "posted_at",
        "revenue",
        "materials",
        "wear",
        "labour",
        "travel",
        "overhead",
    )
    list_select_related = ("job", "document")
    search_fields = ("job__reference", "document__client_id")
    ordering = ("-posted_at", "-pk")


@admin.register(models.Finding)
class FindingAdmin(ReadOnlyAdmin):
    """What closes were asked."""

    list_display = ("job", "code", "consumable", "message", "answered_at")
    list_select_related = ("job",)
    list_filter = ("code",)
    search_fields = ("job__reference", "message")


@admin.register(models.WaitingUse)
class WaitingUseAdmin(ReadOnlyAdmin):
    """Uses that wait for their job, or contradict its close; delete unwanted ones."""

    actions = ()
    list_display = ("job_reference", "consumable", "quantity", "minutes", "recorded_at")
    list_select_related = ("consumable",)
    search_fields = ("job_reference", "consumable__code")

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:  # noqa: ARG002
        """Ask the site: no book holds them."""
        return self.admin_site.has_permission(request)
