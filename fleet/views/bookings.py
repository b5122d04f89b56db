"""The page on which calendars of bookings come in: files, looked at before they are taken, and addresses."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet import booking_sources, tasks
from fleet.fetching import LARGEST
from fleet.models import BookingSource, CalendarReading
from fleet.names import name_of
from fleet.refusal import Refused
from fleet.views.door import fact_page, may_write, site_of

ADDRESS, FILE = "address", "file"


@fact_page("GET", "POST")
def bookings_in(request: HttpRequest) -> HttpResponse:
    """Show where bookings come from; add an address, or look at a file."""
    trouble = None
    if request.method == "POST":
        try:
            return _add_address(request) if ADDRESS in request.POST else _look_at_file(request)
        except Refused as refusal:
            trouble = refusal
    sources = BookingSource.objects.of_site(site_of(request)).prefetch_related("readings")
    context = {
        "sources": sources,
        "trouble": trouble,
        "may_write": may_write(request),
        "files": [source for source in sources if not source.address],
        "largest_mb": LARGEST // 1_000_000,
    }
    return render(request, "fleet/bookings_in.html", context, status=400 if trouble else 200)


def _add_address(request: HttpRequest) -> HttpResponse:
    now = timezone.now()
    address = request.POST[ADDRESS].strip() or "-"
    source = booking_sources.add_source(site_of(request), request.POST.get("name", ""), address, now)
    transaction.on_commit(partial(tasks.fetch_bookings.delay, source.pk), robust=True)
    messages.info(request, _("%(name)s is read within minutes.") % {"name": source.name})
    return redirect("bookings_in")


def _look_at_file(request: HttpRequest) -> HttpResponse:
    now, file = timezone.now(), request.FILES.get(FILE)
    if file is None or file.size is None or file.size > LARGEST:
        raise Refused(
            _("no file, or one that is too large"),
            accepted=_("a calendar of at most %(largest)s bytes") % {"largest": f"{LARGEST:,}"},
        )
    name = name_of(request.POST.get("name", ""))
    source = BookingSource.objects.of_site(site_of(request)).filter(name=name, address="").first()
    with transaction.atomic():
        source = source or booking_sources.add_source(site_of(request), name, "", now)
        reading = booking_sources.show(source, file.read(), now, request.user.get_username())
    return redirect("bookings_reading", reading.pk)


@fact_page("GET", "POST")
def bookings_reading(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what a reading of a calendar would change or has changed; take it, or leave it."""
    rows = CalendarReading.objects.of_site(site_of(request)).select_related("source").defer("raw")
    reading, trouble = get_object_or_404(rows, pk=pk), None
    if request.method == "POST" and "leave" in request.POST:
        booking_sources.leave(reading)
        return redirect("bookings_in")
    if request.method == "POST":
        try:
            booking_sources.take_shown(reading, timezone.now())
            return redirect("bookings_reading", pk)
        except Refused as refusal:
            trouble = refusal
    context = {"reading": reading, "trouble": trouble, "may_write": may_write(request)}
    return render(request, "fleet/bookings_reading.html", context, status=400 if trouble else 200)


@fact_page("POST")
def bookings_source(request: HttpRequest, pk: int) -> HttpResponse:
    """Read an address now, or remove a calendar; the bookings it brought stay."""
    source = get_object_or_404(BookingSource.objects.of_site(site_of(request)), pk=pk)
    if "remove" in request.POST:
        booking_sources.remove_source(source)
        said = _("%(name)s is read no more; the bookings it brought stay.")
    else:
        booking_sources.fetch_now(source, timezone.now())
        transaction.on_commit(partial(tasks.fetch_bookings.delay, source.pk), robust=True)
        said = _("%(name)s is read within minutes.")
    messages.info(request, said % {"name": source.name})
    return redirect("bookings_in")
