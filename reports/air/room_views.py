"""The rooms: their air now, over any stretch, how steady it is, and one beside another."""

from __future__ import annotations

from datetime import timedelta
from urllib.parse import urlencode

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone

from fleet.models import Room
from reports.air.climate import LEVELS, band_figure, calendar_of, climate_of
from reports.air.comparing import chosen_rooms, comparison_figure, room_years
from reports.air.days import SPANS, YEAR, Span, shown_days
from reports.air.readings import record_of
from reports.air.room_figures import ROOM_FIGURES, reading_figure
from reports.doors import current_site, own_or_404, site_page
from reports.queries import instruments, rooms

BAND = "band"
DAYS = 366  # of a leaf of the table: a year


@site_page
def room_list(request: HttpRequest) -> HttpResponse:
    """Show the air of every room and how far it can be trusted."""
    shown = rooms.rooms_now(current_site(request), timezone.localdate(), timezone.now())
    return render(request, "reports/rooms.html", {"rooms": shown, "span_days": rooms.SPAN_DAYS})


@site_page
def room(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a stretch of one room: its air, what reached the wood, and who stands in it."""
    one = own_or_404(request, Room.objects.select_related("site", "borrows_from"), pk)
    today, span = timezone.localdate(), _span(request)
    shown = shown_days(one, today, span.back)
    context = {
        "room": one,
        "shown": shown,
        "page": Paginator(shown.days[::-1], DAYS).get_page(request.GET.get("page")),
        "span": span,
        "spans": SPANS.values(),
        "others": Room.objects.of_site(one.site).exclude(pk=one.pk).order_by("building", "name"),
        "air": rooms.room_now(one, today, timezone.now()),
        "standing": instruments.fleet(one.site).filter(room=one),
    }
    return render(request, "reports/room.html", context)


@site_page
def room_figure(request: HttpRequest, pk: int, name: str) -> JsonResponse:
    """Tell the browser what one figure of a room draws."""
    if name not in ROOM_FIGURES and name != BAND:
        raise Http404(f"no figure {name!r}")
    one = own_or_404(request, Room.objects.select_related("site", "borrows_from"), pk)
    today, span = timezone.localdate(), _span(request)
    if name == BAND:
        return JsonResponse(band_figure(one, today).as_json())
    shown = shown_days(one, today, span.back)
    if span.name != "week" or shown.heated:
        return JsonResponse(ROOM_FIGURES[name](shown.days, today).as_json())
    record = record_of(shown.lender or one, today - span.back + timedelta(days=1), today)
    return JsonResponse(reading_figure(name, record, shown.days, today).as_json())


def _span(request: HttpRequest) -> Span:
    return SPANS.get(request.GET.get("span", ""), YEAR)


@site_page
def climate(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how steady the climate of a room is, by its seasons, by class and by the calendar."""
    one = own_or_404(request, Room.objects.select_related("site", "borrows_from"), pk)
    today = timezone.localdate()
    context = {
        "room": one,
        "climate": climate_of(one, today),
        "calendar": calendar_of(one, today),
        "day_numbers": range(1, 32),
        "levels": [("", LEVELS[0]), *zip(LEVELS, LEVELS[1:], strict=False), (LEVELS[-1], "")],
    }
    return render(request, "reports/air/climate.html", context)


@site_page
def compare(request: HttpRequest) -> HttpResponse:
    """Show the rooms of a site side by side."""
    years = room_years(current_site(request), timezone.localdate())
    drawn = chosen_rooms(years, request.GET.getlist("room"))
    context = {"years": years, "drawn": drawn, "asked": urlencode([("room", one.room.pk) for one in drawn])}
    return render(request, "reports/air/compare.html", context)


@site_page
def compare_figure(request: HttpRequest) -> JsonResponse:
    """Tell the browser what the comparison of rooms draws."""
    asked = request.GET.getlist("room")
    return JsonResponse(comparison_figure(current_site(request), asked, timezone.localdate()).as_json())
