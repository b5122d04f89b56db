"""The budget's page of the years ahead, how far it is, and its files."""

from __future__ import annotations

from decimal import Decimal

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.models import Role
from reports.budget.ahead import ahead_report, assumptions, look_ahead, newest_ahead
from reports.budget.report import REPORT_FILES, handed_out
from reports.budget.worth import hour_price
from reports.doors import current_site, site_page
from scheduling.seasons_ahead import MOST_YEARS


@site_page
def budget_ahead(request: HttpRequest) -> HttpResponse:
    """Show what the next years need, or how far that is from being known."""
    work, done = newest_ahead(current_site(request))
    ahead = look_ahead(done, _rate(request)) if done else None
    context = {
        "work": work,
        "ahead": ahead,
        "assumptions": assumptions(ahead) if ahead else [],
        "bars": [_bar(one, ahead.longest) for one in ahead.stretches] if ahead else [],
        "years": range(1, MOST_YEARS + 1),
        "exports": REPORT_FILES,
        "works_here": request.membership.role != Role.READER,  # type: ignore[attr-defined]
    }
    template = "budget_ahead_board" if request.htmx else "budget_ahead"  # type: ignore[attr-defined]
    return render(request, f"reports/{template}.html", context)


@site_page
def budget_ahead_file(request: HttpRequest, form_name: str) -> HttpResponse:
    """Hand out the same as a file."""
    _work, done = newest_ahead(current_site(request))
    return handed_out(ahead_report(look_ahead(done, _rate(request))) if done else None, form_name)


def _rate(request: HttpRequest) -> Decimal | None:
    wages = request.membership.role == Role.ADMINISTRATOR  # type: ignore[attr-defined]
    return hour_price(current_site(request), wages)


def _bar(need: object, longest: Decimal) -> tuple[object, dict[str, float]]:
    """A line with the lengths of its bars, in percent of the longest."""
    lengths = {
        name: round(float(100 * (getattr(need, name) or 0) / longest), 1) if longest else 0.0
        for name in ("low", "hours", "high", "offered")
    }
    return need, {**lengths, "span": round(max(lengths["high"] - lengths["low"], 0.8), 1)}
