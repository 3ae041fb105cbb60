"""The questions that closes raised, and their answers."""

from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from shop.close_review.answer_questions import LONGEST_ANSWER, AnswerError, answer, standing_questions
from shop.close_review.rules import Check
from shop.common.pagination import page_of
from shop.models import Finding, Role, Technician, the_shop
from shop.people.permissions import for_roles, person_of
from shop.web.code_select import CodeChoice
from shop.web.owner.section_links import areas

CONFIRMED = "That is right."


class QuestionsForm(forms.Form):
    """Which questions."""

    show = forms.ChoiceField(
        label="Show", choices=[("open", "Open"), ("answered", "Answered"), ("all", "All")], required=False
    )
    code = forms.ChoiceField(
        label="About",
        choices=[("", "Anything"), *((check.value, check.value) for check in Check)],
        required=False,
    )
    technician = CodeChoice(Technician.objects.all(), required=False, empty_label="Anyone")
    q = forms.CharField(label="Job's reference has", required=False, max_length=64)

    def rows(self) -> QuerySet[Finding]:
        """Return the selected questions, the latest first; invalid filters are ignored."""
        self.full_clean()
        chosen: dict[str, Any] = getattr(self, "cleaned_data", {})
        rows = standing_questions().select_related("job__technician")
        if chosen.get("show") != "all":
            rows = rows.filter(answered_at__isnull=chosen.get("show") != "answered")
        if chosen.get("code"):
            rows = rows.filter(code=chosen["code"])
        if chosen.get("technician"):
            rows = rows.filter(job__technician=chosen["technician"])
        if chosen.get("q"):
            rows = rows.filter(job__reference__icontains=chosen["q"])
        return rows.order_by("-pk")


@never_cache
@require_safe
@for_roles(Role.OWNER)
def questions(request: HttpRequest) -> HttpResponse:
    """List questions with a form to answer each."""
    form = QuestionsForm({"show": "open", **request.GET.dict()})
    context = {
        "title": "Questions",
        "areas": areas(request),
        "shop": the_shop(),
        "form": form,
        "rows": page_of(request, form.rows(), "page"),
        "it_was_so": CONFIRMED,
        "longest": LONGEST_ANSWER,
        "here": request.get_full_path(),
    }
    return render(request, "shop/owner/questions.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@for_roles(Role.OWNER)
def question(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one question, or store its answer and go back to the page it came from."""
    found = get_object_or_404(standing_questions().select_related("job__technician"), pk=pk)
    back = request.POST.get("back", "")
    if not url_has_allowed_host_and_scheme(back, {request.get_host()}):
        back = ""
    problem = ""
    if request.method == "POST":
        text = CONFIRMED if "so" in request.POST else request.POST.get("text", "")
        try:
            answer(found, text, by=person_of(request), now=timezone.now())
        except AnswerError as error:
            problem = str(error)
        else:
            messages.success(request, f"The question about {found.job} is answered: {found.answer}")
            return HttpResponseRedirect(back or reverse("owner:questions"))
    context = {
        "title": f"A question about {found.job}",
        "areas": areas(request),
        "shop": the_shop(),
        "finding": found,
        "problem": problem,
        "said": request.POST.get("text", found.answer),
        "back": back,
        "longest": LONGEST_ANSWER,
        "it_was_so": CONFIRMED,
    }
    return render(request, "shop/owner/question.html", context, status=400 if problem else 200)
