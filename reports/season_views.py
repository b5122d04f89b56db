"""Pages of the season: the plan with one of its visits in hand, and how far a draft has come."""

from __future__ import annotations

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from fleet.models import Role
from fleet.weeks import monday_before
from reports.doors import current_site, own_or_404, site_page
from reports.queries import plans, scenarios, season, season_visit
from scheduling.forms import DraftForm
from scheduling.models import DraftOrder, SeasonPlan


@site_page
def season_plan(request: HttpRequest, pk: int | None = None) -> HttpResponse:
    """Show a season plan: the one people work by, or the one asked for; with a visit in hand if one is."""
    today = timezone.localdate()
    plan = (
        plans.plan_for(current_site(request), today)
        if pk is None
        else own_or_404(request, SeasonPlan.objects.select_related("site"), pk)
    )
    in_hand = season_visit.in_hand(plan, request.GET.get("visit", ""), today) if plan else None
    leaf, put_off = request.GET.get("page", ""), request.GET.get("put_off", "")
    visit = in_hand.visit if in_hand else None
    site = current_site(request)
    context = {
        "page": season.season_page(site, plan, today, leaf, visit, put_off) if plan else None,
        "in_hand": in_hand,
        "this_monday": monday_before(today),
        "plan_start": monday_before(today),
        "works_here": works_here(request),
        "draft": DraftForm(today=today, first=_asked_start(request)),
    }
    return render(request, f"reports/{_season_part(request)}.html", context)


def _season_part(request: HttpRequest) -> str:
    """Return the template asked for: a visit taken up changes the table and what rests on it."""
    asked = request.htmx  # type: ignore[attr-defined]
    return "season_part" if asked and not asked.history_restore_request else "season_plan"


def works_here(request: HttpRequest) -> bool:
    """Return whether the user may change plans of the site shown; a reader only reads."""
    return bool(request.membership.role != Role.READER)  # type: ignore[attr-defined]


def _asked_start(request: HttpRequest) -> date | None:
    """Return the Monday from which a draft is proposed, where the address names one."""
    try:
        return monday_before(date.fromisoformat(request.GET.get("start", "")))
    except ValueError:
        return None


@site_page
def draft_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how far a draft has come; only that where htmx asks."""
    order = own_or_404(request, DraftOrder.objects.select_related("site", "plan"), pk)
    template = "draft_progress" if request.htmx else "draft_order"  # type: ignore[attr-defined]
    context = {"order": order, "works_here": works_here(request)}
    return render(request, f"reports/{template}.html", context)


@site_page
def what_if(request: HttpRequest) -> HttpResponse:
    """Show saved scenarios and some of them side by side; only that where htmx asks."""
    page = scenarios.what_if_page(current_site(request), request.GET.getlist("with"))
    template = "what_if_board" if request.htmx else "what_if"  # type: ignore[attr-defined]
    return render(request, f"reports/{template}.html", {"page": page, "works_here": works_here(request)})
