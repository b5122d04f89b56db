"""The page of a week laid out to the hour."""

from __future__ import annotations

from datetime import timedelta

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from fleet.views.door import may_write
from fleet.weeks import monday_before, monday_of
from reports.doors import current_site, site_page
from reports.queries import week
from reports.queries.week_plan import can_be_laid_out, week_page
from reports.season_views import works_here


@site_page
def week_plan(request: HttpRequest, named: str = "") -> HttpResponse:
    """Show who does what when in a week, one's own part first, and what found no place."""
    site, today = current_site(request), timezone.localdate()
    try:
        monday = monday_of(named) if named else monday_before(today)
    except ValueError as refusal:
        raise Http404(str(refusal)) from None
    mine = week.has_work(site, request.user)
    everyone = request.GET.get("who") == "all" or not mine
    page = week_page(site, monday, None if everyone else request.user)
    context = {
        "page": page,
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "before": monday - timedelta(days=7),
        "after": monday + timedelta(days=7),
        "is_now": monday == monday_before(today),
        "mine": mine,
        "everyone": everyone,
        "plan_start": monday_before(today),
        "may_record": may_write(request),
        "may_lay_out": works_here(request) and can_be_laid_out(monday, timezone.now(), site, page.plan),
    }
    return render(request, "reports/week_plan.html", context)
