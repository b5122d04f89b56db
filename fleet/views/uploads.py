"""What people do with a file of readings: bring it, choose how it is read, have it stored, give it up."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _

from fleet import uploads
from fleet.access import row_number
from fleet.models import ReadingsUpload, Room, Site
from fleet.refusal import Refused
from fleet.views.door import fact_page, site_of

SHAPE = ("encoding", "delimiter", "header_line")
FORM_BYTES = 100_000  # what a form around the file may weigh


@fact_page("POST")
def bring(request: HttpRequest) -> HttpResponse:
    """Take a file in and go on to its page; one that is no table is refused and not kept."""
    site = site_of(request)
    try:
        if int(request.headers.get("Content-Length") or 0) > uploads.LARGEST_FILE + FORM_BYTES:
            raise Refused(
                _("the file is too large"),
                accepted=_("at most %(largest_file)s bytes") % {"largest_file": f"{uploads.LARGEST_FILE:,}"},
            )
        file = request.FILES.get("file")
        if file is None:
            raise Refused(_("no file was chosen"), accepted=_("a CSV file with a header row"))
        room = _room(site, request.POST.get("room", ""))
        row = uploads.begin(site, file.name or "", file.chunks(), room, request.user, timezone.now())
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("readings_uploads")
    return redirect("readings_upload", row.pk)


@fact_page("POST")
def choose(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep what was chosen; store the file where that was asked for."""
    row = _own(request, pk)
    try:
        row = uploads.choose(row, _said(request, row), _room(row.site, request.POST.get("room", "")))
        if request.POST.get("act") == "store":
            uploads.ask_to_store(row)
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("readings_upload", row.pk)


@fact_page("POST")
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Give a file up, or stop its storing."""
    row = _own(request, pk)
    if not uploads.cancel(row, timezone.now()):
        messages.info(request, _("It was done already."))
    return redirect("readings_upload", row.pk)


def _own(request: HttpRequest, pk: int) -> ReadingsUpload:
    rows = ReadingsUpload.objects.of_site(site_of(request)).select_related("site", "room")
    return get_object_or_404(rows, pk=pk)


def _room(site: Site, number: str) -> Room | None:
    return (
        get_object_or_404(Room.objects.of_site(site), pk=row_number(number)) if number.isdecimal() else None
    )


def _said(request: HttpRequest, row: ReadingsUpload) -> dict[str, Any]:
    """Return what the form says about the file."""
    asked = request.POST
    meanings = [
        asked.get(f"meaning_{place}", meaning) for place, meaning in enumerate(row.choices["meanings"])
    ]
    said = {name: asked[name] for name in (*SHAPE, "decimal", "order", "clock") if name in asked}
    return {**said, "meanings": meanings, "leave_out": "leave_out" in asked}
