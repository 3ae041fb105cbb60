"""Pages of letters: the list, one letter as it was written, its attachments, and sending it again."""

from calendar import day_name
from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from forecasting import schedule
from forecasting.email_addresses import addresses_in
from forecasting.models import Letter, LetterState, StockingTerms, the_terms, timetable
from forecasting.outbox.messages import attachments_of, content_of, parsed, write_again
from forecasting.outbox.queries import CHOICES, TROUBLED, narrowed, needing_a_hand
from forecasting.outbox.weekly_list import recipients_of, technicians_of
from forecasting.schedule import WorkKind
from inventory.models import Place, PlaceKind
from shop.common.page_fields import RowForm
from shop.common.pagination import page_of
from shop.common.text import counted
from shop.exports.download import download
from shop.models import the_shop
from shop.people.permissions import STOCK_ROLES, for_roles, person_of

if TYPE_CHECKING:
    TermsFormBase = forms.ModelForm[StockingTerms]
else:
    TermsFormBase = forms.ModelForm

WEEKDAYS = [(number, day_name[number - 1]) for number in range(1, 8)]
ON_THE_WAY = (LetterState.WAITING, LetterState.SENDING)


class AgainForm(forms.Form):
    """To whom a letter goes again. `number` counts how often, so that a second click changes nothing."""

    to = forms.CharField(
        label="To",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4, "spellcheck": "false", "autocapitalize": "none"}),
        help_text="addresses, separated by commas or line ends",
        error_messages={"required": "Give at least one address."},
    )
    number = forms.IntegerField(min_value=1, widget=forms.HiddenInput)

    def clean_to(self) -> list[str]:
        """Return the addresses. Raises ValidationError naming each that is none."""
        found = addresses_in(self.cleaned_data["to"])
        if not found:
            raise ValidationError("Give at least one address.")
        return found


class LetterSettingsForm(RowForm, TermsFormBase):
    """When the weekly letters go out, and who gets each of them besides the van's technicians."""

    class Meta:
        model = StockingTerms
        fields = ("letter_weekday", "letter_time", "restock_emails")
        labels = {
            "letter_weekday": "Day",
            "letter_time": "Time",
            "restock_emails": "Everyone's letters also to",
        }
        help_texts = {"letter_weekday": "", "restock_emails": "separated by commas or line ends"}
        widgets = {
            "letter_weekday": forms.Select(choices=WEEKDAYS),
            "letter_time": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            "restock_emails": forms.Textarea(
                attrs={"rows": 3, "spellcheck": "false", "autocapitalize": "none"}
            ),
        }


@never_cache
@require_safe
@for_roles(*STOCK_ROLES)
def index(request: HttpRequest) -> HttpResponse:
    """Show the letters, newest first, narrowed by status; and how many need a person."""
    state = request.GET.get("state", "")
    context = {
        "shop": the_shop(),
        "title": "Letters",
        "page": page_of(request, narrowed(state), "page"),
        "need_a_hand": needing_a_hand().count(),
        "state": state if state in CHOICES else "",
        "states": CHOICES,
        "troubled": TROUBLED,
    }
    return render(request, "forecasting/letters.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def settings(request: HttpRequest) -> HttpResponse:
    """Show and change when the weekly letters go out and who gets all of them; show who gets each now."""
    form = LetterSettingsForm(request.POST or None, instance=the_terms())
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Saved. The next letters use it.")
        return redirect("letters:settings")
    status = 400 if form.errors else 200
    vans = Place.objects.filter(kind=PlaceKind.VAN).order_by("code")
    page = page_of(request, vans, "page")
    to = technicians_of(list(page))
    context = {
        "shop": the_shop(),
        "title": "Letter settings",
        "form": form,
        "page": page,
        "rows": [(van, to[van.pk]) for van in page],
        "next": schedule.coming(WorkKind.LETTER, timetable(), timezone.now()).at,
    }
    return render(request, "forecasting/letter_settings.html", context, status=status)


@never_cache
@require_safe
@for_roles(*STOCK_ROLES)
def show(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one letter: recipients, status, content and attachments."""
    letter = _letter(pk)
    content = content_of(letter)
    context = {
        "shop": the_shop(),
        "title": letter.subject,
        "letter": letter,
        "text": content.text,
        "attachments": [(file.name, len(file.content)) for file in content.attachments],
        "again": letter.resent_as.defer("source").order_by("pk"),
        "may_send_again": letter.state not in ON_THE_WAY,
        "troubled": letter.state in TROUBLED,
    }
    return render(request, "forecasting/letter.html", context)


@require_safe
@for_roles(*STOCK_ROLES)
def attachment(_request: HttpRequest, pk: int, number: int) -> HttpResponse:
    """Download what was attached, counted from 1."""
    files = list(attachments_of(parsed(_letter(pk))))
    if not 1 <= number <= len(files):
        raise Http404
    file = files[number - 1]
    return download(file.content, file.name, file.media_type)


@require_safe
@for_roles(*STOCK_ROLES)
def source(_request: HttpRequest, pk: int) -> HttpResponse:
    """Download the letter as it goes over the wire."""
    letter = _letter(pk)
    return download(bytes(letter.source), f"letter-{letter.pk}.eml", "message/rfc822")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(*STOCK_ROLES)
def again(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask to whom a letter is to be sent again, then queue it."""
    letter = _letter(pk)
    if letter.state in ON_THE_WAY:
        messages.info(request, "This letter is still on its way; wait until it is sent or given up.")
        return redirect("letters:show", letter.pk)
    number = (letter.resends or letter).resent_as.count() + 1
    form = AgainForm(request.POST or None, initial={"to": "\n".join(_suggested(letter)), "number": number})
    if request.method == "POST" and form.is_valid():
        return _sent_again(request, letter, form.cleaned_data, number)
    context = {"shop": the_shop(), "title": "Send again", "letter": letter, "form": form}
    status = 400 if form.errors else 200
    return render(request, "forecasting/letter_again.html", context, status=status)


def _sent_again(
    request: HttpRequest, letter: Letter, asked: dict[str, Any], number: int
) -> HttpResponseRedirect:
    if asked["number"] > number:
        raise Http404
    person = person_of(request)
    made = write_again(
        letter, asked["to"], number=asked["number"], by=person.get_username(), now=timezone.now()
    )
    messages.success(
        request, f"It goes to {counted(len(made.recipients), 'recipient')} within a minute or two."
    )
    return redirect("letters:show", made.pk)


def _letter(pk: int) -> Letter:
    letters = Letter.objects.select_related("resends", "restock__van", "purchase")
    return get_object_or_404(letters, pk=pk)


def _suggested(letter: Letter) -> list[str]:
    """Return who would get the letter were it written now, or else who got it."""
    if letter.restock is None:
        return list(letter.recipients)
    try:
        return recipients_of(letter.restock.van)
    except ValidationError:
        return list(letter.recipients)
