"""The owner's pages of people: who there is, adding, roles, leaving."""

from typing import Any

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.common.pagination import page_of
from shop.models import ApiToken, Person, Role, Technician
from shop.people import invitations, sessions, user_status
from shop.people.forms import NewPersonForm, RoleForm
from shop.people.permissions import for_roles, person_of, role_of
from shop.people.user_status import Refusal

# What the list can be narrowed to, as words in its address.
STATES = {
    "active": Q(is_active=True) & ~user_status.NO_PASSWORD,
    "invited": Q(is_active=True) & user_status.NO_PASSWORD,
    "left": Q(is_active=False),
}


@never_cache
@require_safe
@for_roles(Role.OWNER)
def people(request: HttpRequest) -> HttpResponse:
    """List people."""
    chosen = {name: request.GET.get(name, "").strip() for name in ("q", "role", "state")}
    rows = _found(chosen).select_related("technician__van__place").order_by("username")
    page = page_of(request, rows, "page")
    context = {"title": "People", "rows": page, "roles": Role.choices, "states": list(STATES), **chosen}
    return render(request, "shop/people/list.html", context)


def _found(chosen: dict[str, str]) -> QuerySet[Person]:
    rows = Person.objects.filter(STATES.get(chosen["state"], Q()))
    if chosen["role"] in Role.values:
        rows = rows.filter(role=chosen["role"])
    if text := chosen["q"].replace("\0", ""):
        names = ("username", "first_name", "last_name", "email")
        rows = rows.filter(Q.create([(f"{name}__icontains", text) for name in names], connector=Q.OR))
    return rows


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def add(request: HttpRequest) -> HttpResponse:
    """Add a person and send the link to join."""
    form = NewPersonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        by = person_of(request)
        new = form.save(commit=False)
        try:
            invitations.add_person(new, form.cleaned_data["technician"], form.cleaned_data["van"], by=by)
        except Refusal as refusal:
            form.add_error("technician", str(refusal))
        else:
            _send(request, new, by)
            return redirect("people:person", new.pk)
    return render(request, "shop/people/add.html", {"title": "Add a person", "form": form})


@never_cache
@require_safe
@for_roles(Role.OWNER)
def person(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one person and what can be done."""
    shown = get_object_or_404(Person.objects.select_related("technician__van__place"), pk=pk)
    context = {
        "title": str(shown),
        "person": shown,
        "role": role_of(shown).label,
        "invited": shown.is_active and not shown.has_usable_password(),
        "tokens": ApiToken.objects.filter(user=shown),
        "devices": sessions.devices_of(shown).count(),
    }
    return render(request, "shop/people/person.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def role(request: HttpRequest, pk: int) -> HttpResponse:
    """Change a person's role, technician's record and van, once the owner has seen what that means."""
    changed = get_object_or_404(Person, pk=pk)
    own = Technician.objects.filter(person=changed).first()
    start = {"role": role_of(changed), "technician": own, "van": own.van if own else None}
    form = RoleForm(changed, request.POST or None, initial=start)
    if request.method != "POST" or not form.is_valid():
        return render(request, "shop/people/role.html", _titled(f"Role of {changed}", changed, form=form))
    new = Role(form.cleaned_data["role"])
    if "confirmed" not in request.POST:
        return render(
            request,
            "shop/people/confirm.html",
            _titled(
                f"Make {changed} {_with_article(new)}?",
                changed,
                text=WHAT_A_ROLE_MAY[new],
                button="Change the role",
                kept=[(name, form.data.get(name, "")) for name in form.fields],
            ),
        )
    try:
        user_status.change_role(
            changed, new, form.cleaned_data["technician"], form.cleaned_data["van"], by=person_of(request)
        )
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, f"{changed} is {_with_article(new)} now.")
    return redirect("people:person", pk)


WHAT_A_ROLE_MAY = {
    Role.TECHNICIAN: "A technician sees and changes only their own van and jobs, and no costs.",
    Role.STOREKEEPER: "A storekeeper sees and writes all stock, restocks and orders, but no margins.",
    Role.OWNER: "An owner sees and may do everything, also add people and take owners away.",
    # Photos show customers' property and prove the work; no figure of the books rests on one.
    Role.ACCOUNTANT: "An accountant reads all documents and costs, exports, and locks periods; no photos.",
}


def _with_article(role: Role) -> str:
    return f"{'an' if role.value[0] in 'ao' else 'a'} {role.value}"


@require_POST
@for_roles(Role.OWNER)
def link(request: HttpRequest, pk: int) -> HttpResponse:
    """Send the link to join again; the one before ends."""
    _send(request, get_object_or_404(Person, pk=pk), person_of(request))
    return redirect("people:person", pk)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """End the link that a person was sent."""
    invited = get_object_or_404(Person, pk=pk)
    if request.method == "POST":
        invitations.take_back_link(invited, by=person_of(request))
        messages.success(request, f"The link of {invited} ends here. You can send another one.")
        return redirect("people:person", pk)
    text = "The link that was e-mailed stops working. The person is kept, and can be sent another one."
    context = _titled(f"Take back the link of {invited}?", invited, text=text, button="Take it back")
    return render(request, "shop/people/confirm.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def deactivate(request: HttpRequest, pk: int) -> HttpResponse:
    """Deactivate a person."""
    leaving = get_object_or_404(Person, pk=pk)
    if request.method == "POST":
        try:
            user_status.deactivate(leaving, by=person_of(request))
        except Refusal as refusal:
            messages.error(request, str(refusal))
        else:
            messages.success(request, f"{leaving} can no longer sign in.")
        return redirect("people:person", pk)
    text = (
        "This person is signed out on every device at once, and the person's API tokens are deleted. "
        "What the person recorded stays. You can let the person sign in again later."
    )
    context = _titled(f"Deactivate {leaving}?", leaving, text=text, button="Deactivate")
    return render(request, "shop/people/confirm.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def sign_out(request: HttpRequest, pk: int) -> HttpResponse:
    """End all sessions of a person, who can sign in again."""
    shown = get_object_or_404(Person, pk=pk)
    if request.method == "POST":
        user_status.sign_out_everywhere(shown, by=person_of(request))
        if shown.pk == person_of(request).pk:
            return redirect("sign-in")
        messages.success(request, f"{shown} is signed out everywhere.")
        return redirect("people:person", pk)
    text = (
        "This person must sign in again on every browser and phone, with the same password. What a phone has "
        "not sent stays on it. API tokens go on."
    )
    context = _titled(f"Sign {shown} out everywhere?", shown, text=text, button="Sign out everywhere")
    return render(request, "shop/people/confirm.html", context)


@require_POST
@for_roles(Role.OWNER)
def reactivate(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a person sign in again."""
    back = get_object_or_404(Person, pk=pk)
    user_status.reactivate(back, by=person_of(request))
    messages.success(request, f"{back} may sign in again.")
    return redirect("people:person", pk)


def _send(request: HttpRequest, person: Person, by: Person) -> None:
    try:
        invitations.send_link(request, person, by=by)
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, f"A link was sent to {person.email}. It works once, for three days.")


def _titled(title: str, person: Person, **context: Any) -> dict[str, Any]:
    return {"title": title, "person": person, "back": person, **context}
