"""A person's own account: password, sessions, API tokens."""

from django.contrib import messages
from django.contrib.auth import logout, update_session_auth_hash
from django.contrib.auth.forms import PasswordChangeForm
from django.contrib.auth.views import PasswordChangeView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse_lazy
from django.utils import timezone
from django.utils.decorators import method_decorator
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.common.pagination import page_of
from shop.models import ApiToken, Role, the_shop
from shop.people import sessions as sign_ins
from shop.people import user_status
from shop.people.admin_log import note
from shop.people.forms import LengthsForm, TokenForm
from shop.people.permissions import for_roles, own_van, person_of, role_of
from shop.people.tokens import MOST_PER_PERSON, make_token

for_everyone = for_roles(*Role)


@never_cache
@require_safe
@for_everyone
def account(request: HttpRequest) -> HttpResponse:
    """Show who is signed in, and what can be done about the account."""
    person = person_of(request)
    context = {
        "title": "Your account",
        "person": person,
        "role": role_of(person),
        "own": own_van(person),
        "devices": sign_ins.devices_of(person).count(),
        "form": LengthsForm(instance=person),
    }
    return render(request, "shop/people/account.html", context)


@require_POST
@for_everyone
def lengths(request: HttpRequest) -> HttpResponse:
    """Keep in which unit the person reads and types lengths."""
    form = LengthsForm(request.POST, instance=person_of(request))
    if form.is_valid():
        unit = form.save().length_unit_in(the_shop()).label
        messages.success(request, f"Lengths are shown to you in {unit}.")
    else:
        messages.error(request, "That is not a unit of length that we have; nothing was changed.")
    return redirect("people:account")


@never_cache
@require_safe
@for_everyone
def sessions(request: HttpRequest) -> HttpResponse:
    """List where the person is signed in."""
    rows = page_of(request, sign_ins.devices_of(person_of(request)), "page")
    context = {"title": "Where you are signed in", "rows": rows, "here": request.session.session_key}
    return render(request, "shop/people/sessions.html", context)


@require_POST
@for_everyone
def end_session(request: HttpRequest, pk: int) -> HttpResponse:
    """Sign the person out on one device."""
    own = sign_ins.devices_of(person_of(request)).filter(pk=pk)
    device = get_object_or_404(own)
    sign_ins.end(own)
    note(person_of(request), person_of(request), f"signed out on one device: {device.words}")
    if device.session_id == request.session.session_key:
        logout(request)
        return redirect("sign-in")
    messages.success(request, f"{device.words} is signed out.")
    return redirect("people:sessions")


@method_decorator(for_everyone, name="dispatch")
class ChangePassword(PasswordChangeView):
    """Asks for the old password and twice for the new one; other devices are signed out."""

    template_name = "shop/people/password.html"
    http_method_names = ["get", "head", "post"]
    success_url = reverse_lazy("people:account")
    extra_context = {"title": "Change your password"}

    def form_valid(self, form: PasswordChangeForm) -> HttpResponse:
        """Keep the new password."""
        answer = super().form_valid(form)
        person = person_of(self.request)
        note(person, person, "password changed")
        here = self.request.session.session_key
        sign_ins.end(sign_ins.devices_of(person).exclude(session=here))
        messages.success(
            self.request,
            "Your password is changed. Your other devices are signed out, and your API tokens have ended.",
        )
        return answer


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_everyone
def sign_out_everywhere(request: HttpRequest) -> HttpResponse:
    """Sign the person out on every other device."""
    person = person_of(request)
    if request.method == "POST":
        user_status.sign_out_everywhere(person, by=person)
        update_session_auth_hash(request, person)
        messages.success(request, "You are signed out everywhere but here.")
        return redirect("people:account")
    context = {
        "title": "Sign out everywhere else?",
        "text": "Every other browser and phone must sign in again. What a phone has not sent stays on it. "
        "API tokens go on; revoke those one by one.",
        "button": "Sign out everywhere else",
    }
    return render(request, "shop/people/confirm.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_everyone
def tokens(request: HttpRequest) -> HttpResponse:
    """List own tokens; make one and show it this once."""
    person = person_of(request)
    own = ApiToken.objects.filter(user=person)
    form = TokenForm(request.POST or None)
    made = secret = None
    if request.method == "POST" and form.is_valid():
        own.filter(expiry__lt=timezone.now()).delete()
        if own.count() >= MOST_PER_PERSON:
            form.add_error(None, f"You have {MOST_PER_PERSON} tokens; revoke one first.")
        else:
            made, secret = make_token(person, form.cleaned_data["name"], form.cleaned_data["days"])
            note(person, person, f"API token made: {made.name}")
            form = TokenForm()
    context = {"title": "API tokens", "form": form, "rows": own, "made": made, "secret": secret}
    return render(request, "shop/people/tokens.html", {**context, "now": timezone.now()})


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_everyone
def revoke_token(request: HttpRequest, digest: str) -> HttpResponse:
    """Delete an own token."""
    person = person_of(request)
    token = get_object_or_404(ApiToken, user=person, digest=digest)
    if request.method == "POST":
        token.delete()
        note(person, person, f"API token revoked: {token.name}")
        messages.success(request, f"The token {token.name} no longer works.")
        return redirect("people:tokens")
    context = {
        "title": f"Revoke the token {token.name}?",
        "text": "Programs that use it are refused from now on. This cannot be undone; you can make another.",
        "button": "Revoke it",
        "back_to": "people:tokens",
    }
    return render(request, "shop/people/confirm.html", context)
