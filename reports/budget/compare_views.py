"""The budget's page of scenarios side by side, and its files."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from reports.budget.comparison import compare_in_budget, comparison_notes, comparison_report, unit_of
from reports.budget.report import REPORT_FILES, handed_out
from reports.doors import current_site, site_page


@site_page
def budget_compare(request: HttpRequest) -> HttpResponse:
    """Show the plan in hand and scenarios side by side, in hours and money."""
    site = current_site(request)
    compared, done = compare_in_budget(site, request.GET.getlist("with"), timezone.localdate())
    context = {
        "compared": compared,
        "rows": [(measure, unit_of(measure, site), figures) for measure, figures in compared.rows]
        if compared
        else [],
        "notes": comparison_notes(compared) if compared else [],
        "done": done,
        "exports": REPORT_FILES,
        "query": request.GET.urlencode(),
    }
    return render(request, "reports/budget_compare.html", context)


@site_page
def budget_compare_file(request: HttpRequest, form_name: str) -> HttpResponse:
    """Hand out the same comparison as a file."""
    compared, _done = compare_in_budget(
        current_site(request), request.GET.getlist("with"), timezone.localdate()
    )
    return handed_out(comparison_report(compared) if compared else None, form_name)
