"""The budget's page and its exports."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import Role
from fleet.weeks import monday_before
from reports.budget.exports import EXPORTS
from reports.budget.ledger import LONGEST, Ledger, read_ledger
from reports.budget.page import budget_page
from reports.budget.statement import QUESTIONS
from reports.budget.worth import hour_worth
from reports.doors import current_site, site_page
from reports.queries.plans import plan_for

DEFAULT_BY = "month"
WITHOUT_PLAN = timedelta(weeks=18)


class BudgetForm(forms.Form):
    """From when to when, and summed by what."""

    first = forms.DateField(label=_("From"), widget=forms.DateInput(attrs={"type": "date"}))
    last = forms.DateField(label=_("To"), widget=forms.DateInput(attrs={"type": "date"}))
    by = forms.ChoiceField(label=_("Summed by"))

    def __init__(self, *args: Any, wages: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names = [name for name in QUESTIONS if wages or name != "person"]
        self.fields["by"].choices = [(name, QUESTIONS[name].words) for name in names]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse days in the wrong order and stretches too long to be read."""
        chosen: dict[str, Any] = super().clean() or self.cleaned_data
        first, last = chosen.get("first"), chosen.get("last")
        if first and last and not first <= last <= first + LONGEST:
            raise forms.ValidationError(_("“To” has to lie after “From”, and at most five years after it."))
        return chosen


@site_page
def budget(request: HttpRequest) -> HttpResponse:
    """Show hours and money planned, done and put off, by week, month, building, use or service."""
    form = _asked(request)
    page = None
    if form.is_valid():
        by = form.cleaned_data["by"]
        page = budget_page(_ledger(request, form, by), by)
    query = request.GET.urlencode() if request.GET else ""
    context: dict[str, Any] = {"form": form, "page": page, "exports": EXPORTS, "query": query}
    template = "budget_lines" if request.htmx else "budget"  # type: ignore[attr-defined]
    if template == "budget":
        context["worth"] = hour_worth(current_site(request), timezone.localdate(), _sees_wages(request))
    return render(request, f"reports/{template}.html", context)


@site_page
def budget_export(request: HttpRequest, form_name: str) -> HttpResponse:
    """Hand out the same budget as a file."""
    export, form = EXPORTS.get(form_name), _asked(request)
    if export is None or not form.is_valid():
        raise Http404("no such export")
    ledger = _ledger(request, form)
    answer = HttpResponse(export.write(ledger, form.cleaned_data["by"]), content_type=export.content_type)
    name = f"budget-{ledger.first.isoformat()}-{ledger.last.isoformat()}.{form_name}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _asked(request: HttpRequest) -> BudgetForm:
    """Return the form as it was sent, or filled with the weeks of the plan in force."""
    wages = _sees_wages(request)
    if request.GET:
        return BudgetForm(request.GET, wages=wages)
    today = timezone.localdate()
    plan = plan_for(current_site(request), today)
    first = plan.start if plan else monday_before(today)
    last = first + (timedelta(weeks=plan.weeks) if plan else WITHOUT_PLAN) - timedelta(days=1)
    return BudgetForm({"first": first, "last": last, "by": DEFAULT_BY}, wages=wages)


def _ledger(request: HttpRequest, form: BudgetForm, by: str | None = None) -> Ledger:
    chosen, names = form.cleaned_data, _sees_wages(request)
    return read_ledger(current_site(request), chosen["first"], chosen["last"], names=names, by=by)


def _sees_wages(request: HttpRequest) -> bool:
    return bool(request.membership.role == Role.ADMINISTRATOR)  # type: ignore[attr-defined]
