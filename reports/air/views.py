"""Pages about the air: each view has one question, one reading of the database and one template."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone

from fleet.models import ReadingsUpload, Room, Sensor
from fleet.sensors import SALTS
from fleet.uploads import LARGEST_FILE
from reports.air.uploads import MEANING_WORDS, trial_figure, upload_page
from reports.doors import current_site, own_or_404, site_page
from scheduling.air_state import air_troubles

SHOWN = 30


@site_page
def sensor_list(request: HttpRequest) -> HttpResponse:
    """Show which sensor is silent or doubtful since when, which stands where, and how each was checked."""
    site, today = current_site(request), timezone.localdate()
    rows = list(Sensor.objects.of_site(site).select_related("room").order_by("name", "-first_day"))
    context = {
        "troubles": air_troubles(site, today),
        "sensors": rows,
        "standing": [row for row in rows if row.last_day is None or row.last_day >= today],
        "rooms": Room.objects.of_site(site).select_related("borrows_from").order_by("building", "name"),
        "salts": SALTS,
    }
    return render(request, "reports/air/sensors.html", context)


@site_page
def upload_list(request: HttpRequest) -> HttpResponse:
    """Show the files of readings that were brought, and the form for another."""
    site = current_site(request)
    rows = ReadingsUpload.objects.of_site(site).select_related("room", "made_by")[:SHOWN]
    rooms = Room.objects.of_site(site).order_by("building", "name")
    context = {"rows": rows, "rooms": rooms, "largest": LARGEST_FILE // 1_000_000}
    return render(request, "reports/air/uploads.html", context)


@site_page
def upload(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what a file says and would store, how far its storing is, or what it came to."""
    row = own_or_404(request, ReadingsUpload.objects.select_related("site", "room"), pk)
    page = upload_page(row, timezone.now())
    template = "upload_state" if request.htmx else "upload"  # type: ignore[attr-defined]
    context = {"page": page, "upload": row, "meanings": MEANING_WORDS}
    return render(request, f"reports/air/{template}.html", context)


@site_page
def upload_figure(request: HttpRequest, pk: int) -> JsonResponse:
    """Tell the browser what the figure of a file draws: the room of which it has the most."""
    row = own_or_404(request, ReadingsUpload.objects.select_related("site", "room"), pk)
    largest = upload_page(row, timezone.now()).largest
    if largest is None:
        raise Http404("nothing to be drawn")
    return JsonResponse(trial_figure(largest, timezone.localdate()).as_json())
