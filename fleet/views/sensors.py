"""What people do with sensors: place them, take them away, check them over salts; and what lends its air."""

from __future__ import annotations

from datetime import date

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet import sensors
from fleet.access import row_number
from fleet.models import Room, Sensor
from fleet.oddcsv.numbers import read_number
from fleet.refusal import Refused
from fleet.sensors import SALTS, Point
from fleet.views.door import fact_page, site_of


@fact_page("POST")
def place_sensor(request: HttpRequest) -> HttpResponse:
    """Let a sensor stand in a room from a day on."""
    site = site_of(request)
    room = get_object_or_404(Room.objects.of_site(site), pk=row_number(request.POST.get("room", "")))
    try:
        sensor = sensors.place(site, request.POST.get("name", ""), room, _day(request, "first_day"))
        said = _("%(name)s stands in %(room)s from %(day)s on.")
        messages.info(request, said % {"name": sensor.name, "room": room, "day": sensor.first_day})
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("sensors")


@fact_page("POST")
def take_sensor_away(request: HttpRequest) -> HttpResponse:
    """Let a sensor stand where it stands no longer."""
    sensor = _own(request)
    try:
        sensors.take_away(sensor, _day(request, "last_day"))
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("sensors")


@fact_page("POST")
def check_sensor(request: HttpRequest) -> HttpResponse:
    """Keep what a check over one or two salts said."""
    sensor = _own(request)
    try:
        since = _day(request, "counts_from") if request.POST.get("counts_from") else sensor.first_day
        kept = sensors.check(sensor, _points(request), _day(request, "checked_on"), since)
        said = _("%(name)s: reading × %(slope).3f %(offset)+.1f %%, counted from %(day)s on.")
        figures = {"slope": kept.humidity_slope, "offset": 100 * kept.humidity_offset, "day": kept.first_day}
        messages.info(request, said % {"name": kept.name, **figures})
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("sensors")


@fact_page("POST")
def choose_lender(request: HttpRequest, pk: int) -> HttpResponse:
    """Say whose air stands in for a room without a sensor, and whether a place lies outdoors."""
    rooms = Room.objects.of_site(site_of(request)).select_related("site")
    room = get_object_or_404(rooms, pk=pk)
    number = row_number(request.POST.get("lender", ""))
    try:
        sensors.lend(
            room, get_object_or_404(rooms, pk=number) if number else None, "outdoors" in request.POST
        )
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("room", room.pk)


def _own(request: HttpRequest) -> Sensor:
    rows = Sensor.objects.of_site(site_of(request)).select_related("site", "room__site")
    return get_object_or_404(rows, pk=row_number(request.POST.get("sensor", "")))


def _day(request: HttpRequest, name: str) -> date:
    text = request.POST.get(name, "").strip()
    try:
        day = date.fromisoformat(text) if text else timezone.localdate()
    except ValueError:
        raise Refused(
            _("no date"), column=name, value=text, accepted=_("a date such as 2026-11-25")
        ) from None
    if not 1900 <= day.year <= 2199:
        raise Refused(_("no date"), column=name, value=text, accepted=_("a date of these years"))
    return day


def _points(request: HttpRequest) -> list[Point]:
    """Return the points of a check: those for which a reading was typed in."""
    known = {salt.key: salt.rh for salt in SALTS}
    points = []
    for number in ("1", "2"):
        read = request.POST.get(f"read_{number}", "").strip()
        if not read:
            continue
        salt = request.POST.get(f"salt_{number}", "")
        other = request.POST.get(f"true_{number}", "").strip()
        true = known[salt] if salt in known else _percent(f"true_{number}", other)
        points.append(Point(true, _percent(f"read_{number}", read)))
    return points


def _percent(name: str, text: str) -> float:
    try:
        return read_number(text, "," if "," in text else ".", -2)
    except ValueError as error:
        raise Refused(
            _("no humidity"), column=name, value=text, accepted=_("%(error)s, in percent") % {"error": error}
        ) from None
