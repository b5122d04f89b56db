"""Recording a service, correcting it, and doing so through the link of a letter."""

from __future__ import annotations

import re
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from fleet import records
from fleet.asked import open_requests
from fleet.forms import RecordForm
from fleet.models import Instrument, RecordChange, Service, ServiceKind
from fleet.record_desk import Desk
from fleet.record_links import RecordLink, read_link
from fleet.records import Author, author_of
from fleet.views.door import own_to_change
from fleet.weeks import monday_of, week_of
from fleet.worksheets.layout import BLOCKS
from fleet.worksheets.sheet import Sheet

FORM, TOKEN = "form", re.compile(r"[-\w]{20,48}", re.ASCII)
INSTRUMENTS = Instrument.objects.select_related("site", "room")
WORDS = {"entered": _("Saved."), "corrected": _("Corrected."), "same": _("It stands as it was.")}
SERVICES = Service.objects.select_related("instrument__site", "instrument__room")


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def record(request: HttpRequest, pk: int, kind: str, with_sheet: bool = False) -> HttpResponse:
    """Show the form for a service of an instrument, with its worksheet where asked, and take it."""
    instrument = own_to_change(request, INSTRUMENTS.all(), pk)
    desk = Desk(
        instrument,
        _kind(instrument, kind, with_sheet),
        author_of(request.user, instrument.site_id),
        timezone.now(),
    )
    if request.method != "POST" and (elsewhere := _one_form_one_record(request, desk)):
        return elsewhere
    desk.with_sheet, desk.look, desk.user = with_sheet, "look" in request.GET, request.user
    desk.asked = open_requests(instrument, request.POST)
    return _serve(request, desk)


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def correct(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a record in its form, with its worksheet where it has one, and take what is changed in it."""
    service = own_to_change(request, SERVICES.all(), pk)
    instrument = service.instrument
    kind = _kind(instrument, service.kind)
    desk = Desk(instrument, kind, author_of(request.user, instrument.site_id), timezone.now(), service)
    desk.with_sheet = kind.kind in BLOCKS and ("sheet" in request.GET or records.points_of(service).exists())
    return _serve(request, desk)


def _one_form_one_record(request: HttpRequest, desk: Desk) -> HttpResponse | None:
    """Give a new form its token in the address, and lead from a form that was sent to what it recorded.

    So the back button and a reload come to the same form, with scripts or without.
    """
    token = request.GET.get(FORM, "")
    sent = RecordChange.objects.filter(instrument=desk.instrument, token=token).first() if token else None
    if sent is not None and sent.service_id is not None:
        return redirect("correct_service", sent.service_id)
    if TOKEN.fullmatch(token) and sent is None:
        desk.token = token
        return None
    asked = request.GET.copy()
    asked[FORM] = desk.token
    return redirect(f"{request.path}?{asked.urlencode()}")


def _serve(request: HttpRequest, desk: Desk) -> HttpResponse:
    form, sheet = desk.form(request.POST or None), desk.sheet(request.POST or None)
    if request.method == "POST" and (done := desk.take(form, sheet)):
        messages.info(request, WORDS.get(done.what, WORDS["entered"]))
        week = _week(request)
        return redirect(reverse("service", args=[done.service.pk]) + (f"?week={week}" if week else ""))
    return _show(request, desk, form, sheet=sheet)


@login_required
@require_POST
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a record back and go to its instrument."""
    service = own_to_change(request, SERVICES.all(), pk)
    records.withdraw(service, author_of(request.user, service.instrument.site_id), timezone.now())
    messages.info(request, _("The record is withdrawn; the forecast is being made again without it."))
    return redirect("instrument", service.instrument_id)


@require_http_methods(["GET", "HEAD", "POST"])
@never_cache
def record_by_letter(request: HttpRequest, said: str) -> HttpResponse:
    """Show the form of one visit to whoever has the letter, and take it; a second time corrects the first."""
    now = timezone.now()
    link = _link(said)
    if link.expired(link.instrument.site.local_date(now)):
        return render(request, "fleet/link_expired.html", {"link": link}, status=410)
    known = RecordChange.objects.filter(instrument=link.instrument, token=link.token).first()
    author = Author(link.person.name, by_letter=True)
    kind = _kind(link.instrument, link.kind)
    desk = Desk(link.instrument, kind, author, now, known.service if known else None, token=link.token)
    form = desk.form({**request.POST.dict(), "token": link.token} if request.method == "POST" else None)
    if request.method == "POST" and desk.take(form):
        return redirect(request.path)
    return _show(request, desk, form, link=link, saved=desk.service is not None)


def _link(said: str) -> RecordLink:
    link = read_link(said)
    if link is None:
        raise Http404("no such link")
    timezone.activate(link.instrument.site.zone)
    return link


def _kind(instrument: Instrument, kind: str, with_sheet: bool = False) -> ServiceKind:
    found = next((one for one in records.kinds_for(instrument) if one.kind == kind), None)
    if found is None or (with_sheet and kind not in BLOCKS):
        raise Http404(f"{instrument} does not get {kind}")
    return found


def _week(request: HttpRequest) -> str:
    """Return the week from which the form was opened, empty where there is none."""
    try:
        return week_of(monday_of(request.GET.get("week", "")))
    except ValueError:
        return ""


def _show(
    request: HttpRequest, desk: Desk, form: RecordForm, sheet: Sheet | None = None, **more: Any
) -> HttpResponse:
    beside = {} if "link" in more else desk.beside()
    context = {**desk.context(form, sheet), **beside, "week": _week(request), **more}
    return render(request, "fleet/record.html", context)
