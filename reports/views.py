"""The pages: each view has one question, one reading of the database and one template; none writes."""

from __future__ import annotations

from datetime import date, timedelta
from http import HTTPStatus

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from fleet.models import Instrument, NoteRequest, RequestState, Role, Service
from fleet.reported import reported_lines
from fleet.views.door import may_write
from fleet.weeks import monday_before, monday_of
from reports.axis import TimeAxis
from reports.budget.season_money import season_money
from reports.doors import current_site, own_or_404, site_page
from reports.figures import deviation_figure
from reports.filters import RequestFilter
from reports.queries import budget, freshness, instruments, records, score, week
from reports.queries.playing import next_performances
from scheduling.models import Forecast

REQUESTS = 50  # on a leaf, each with its keyboard


@site_page
def this_week(request: HttpRequest) -> HttpResponse:
    """Show the work of a week, and to an administrator what it costs and buys."""
    site, today = current_site(request), timezone.localdate()
    monday = _asked_week(request) or monday_before(today)
    mine = week.has_work(site, request.user)
    everyone = request.GET.get("who") == "all" or not mine
    leaf = request.GET.get("page", "")
    work = week.week_work(site, monday, None if everyone else request.user, leaf)
    administrator = request.membership.role == Role.ADMINISTRATOR  # type: ignore[attr-defined]
    visited = {line.visit.instrument_id for room in work.rooms for line in room.lines}
    requests = week.open_requests(site, visited)
    return render(
        request,
        "reports/this_week.html",
        {
            "monday": monday,
            "before": monday - timedelta(days=7),
            "after": monday + timedelta(days=7),
            "sunday": monday + timedelta(days=6),
            "plan_start": monday_before(today),
            "is_now": monday == monday_before(today),
            "mine": mine,
            "everyone": everyone,
            "work": work,
            "may_record": may_write(request),
            "requests": requests.oldest,
            "request_count": requests.count,
            "asked_of": requests.by_instrument,
            "concerts": week.concerts(site, monday),
            "warnings": week.warnings(site, monday, today, timezone.now()),
            "states": budget.fleet_states(site) if administrator else None,
            "season": budget.season_hours(work.plan) if administrator and work.plan else None,
            "money": season_money(site, work.plan, monday) if administrator and work.plan else None,
        },
    )


def _asked_week(request: HttpRequest) -> date | None:
    asked = request.GET.get("week")
    if not asked:
        return None
    try:
        return monday_of(asked)
    except ValueError as refusal:
        raise Http404(str(refusal)) from None


@site_page
def instrument(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one instrument with its forecasts and the reasons for them."""
    one = own_or_404(request, Instrument.objects.select_related("site", "room"), pk)
    today = timezone.localdate()
    axis = TimeAxis(today, today + instruments.AHEAD)
    page = instruments.instrument_page(one, axis, today, timezone.now())
    playing = next_performances(one.site, today) if page.requests else {}
    context = {"page": page, "one": one, "axis": axis, "playing": playing}
    return render(request, "reports/instrument.html", context)


@site_page
def instrument_forecasts(request: HttpRequest, pk: int) -> HttpResponse:
    """Show an instrument's forecasts alone, or nothing while changed facts are on their way into them."""
    one = own_or_404(request, Instrument.objects.select_related("site", "room"), pk)
    waiting = freshness.waiting_facts(one, timezone.now())
    if waiting and not waiting.late:
        return HttpResponse(status=HTTPStatus.NO_CONTENT)
    today = timezone.localdate()
    axis = TimeAxis(today, today + instruments.AHEAD)
    page = instruments.instrument_page(one, axis, today, timezone.now())
    context = {"page": page, "one": one, "axis": axis, "swapped": True}
    return render(request, "reports/instrument_forecasts.html", context)


@site_page
def service(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one record with what it changed; only the forecast where htmx asks whether it counts it yet."""
    one = own_or_404(request, Service.objects.select_related("instrument__site", "instrument__room"), pk)
    page = records.record_page(one, timezone.now())
    template = "record_forecast" if request.htmx else "record"  # type: ignore[attr-defined]
    return render(request, f"reports/{template}.html", {"page": page, "week": _asked_week(request)})


@site_page
def instrument_figure(request: HttpRequest, pk: int, kind: str) -> JsonResponse:
    """Tell the browser what the figure of one service of an instrument draws."""
    one = own_or_404(request, Instrument.objects.select_related("site"), pk)
    forecast = get_object_or_404(Forecast, instrument=one, kind=kind)
    done = one.services.filter(kind=kind).order_by("date", "order")
    return JsonResponse(deviation_figure(forecast, done, timezone.localdate()).as_json())


@site_page
def forecast_score(request: HttpRequest) -> HttpResponse:
    """Show how good the forecasts would have been; only the part that changes where htmx asks."""
    template = "score_now" if request.htmx else "score"  # type: ignore[attr-defined]
    may_ask = request.membership.role != Role.READER  # type: ignore[attr-defined]
    context = {"page": score.score_page(current_site(request)), "may_ask": may_ask}
    return render(request, f"reports/{template}.html", context)


@site_page
def request_list(request: HttpRequest) -> HttpResponse:
    """Show what players have asked for."""
    rows = NoteRequest.objects.of_site(current_site(request)).select_related("instrument__room")
    asked = request.GET if "state" in request.GET else {"state": RequestState.OPEN}
    chosen = RequestFilter(asked, rows.order_by("-made_at", "-pk"))
    page = Paginator(chosen.qs, REQUESTS).get_page(request.GET.get("page"))
    template = "request_lines" if request.htmx else "requests"  # type: ignore[attr-defined]
    playing = next_performances(current_site(request), timezone.localdate())
    context = {"filter": chosen, "page": page, "lines": reported_lines(page), "playing": playing}
    return render(request, f"reports/{template}.html", context)
