"""The codes on instruments: sheets of labels to print, and a new code for one instrument."""

from __future__ import annotations

from dataclasses import dataclass

import segno
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from fleet import codes
from fleet.access import row_number
from fleet.models import Instrument, Room
from fleet.views.chosen import chosen_or_404
from fleet.views.door import fact_page, may_write, own_to_change, site_of


@dataclass(frozen=True)
class Label:
    """One label: the instrument, the address behind its code, and the code as a drawing."""

    instrument: Instrument
    address: str
    drawing: SafeString


def _label(instrument: Instrument) -> Label:
    address = codes.address_of(instrument)
    # Level M bears 15 percent of damage (ISO/IEC 18004); the drawing is made of numbers and nobody's words.
    drawn = segno.make(address, error="m", micro=False).svg_inline(omitsize=True, border=4)
    return Label(instrument, address, mark_safe(drawn))


@fact_page("GET")
def labels(request: HttpRequest) -> HttpResponse:
    """Show the labels of one room or instrument, of those chosen or of all, or the rooms to choose from."""
    if not may_write(request):
        raise PermissionDenied("codes are for those who keep the instruments")
    site, room, tag = site_of(request), request.GET.get("room", ""), request.GET.get("instrument", "")
    numbers = request.GET.get("chosen", "")
    inside = Instrument.objects.of_site(site).filter(retired_on=None).select_related("room")
    rows = inside.order_by("room__building", "room__name", "tag")
    if numbers:
        rows = rows.filter(pk__in=chosen_or_404(site, numbers))
    elif tag:
        rows = rows.filter(pk=get_object_or_404(inside, tag=tag).pk)
    elif room:
        rows = rows.filter(room=get_object_or_404(Room.objects.of_site(site), pk=row_number(room)))
    chosen = bool(numbers or tag or room or "all" in request.GET)
    standing = Count("instruments", filter=Q(instruments__retired_on=None))
    rooms = Room.objects.of_site(site).annotate(standing=standing).filter(standing__gt=0)
    context = {"rooms": rooms.order_by("building", "name"), "chosen": chosen, "room": room, "tag": tag}
    context["labels"] = [_label(one) for one in rows] if chosen else []
    return render(request, "fleet/labels.html", context)


@fact_page("POST")
def renew(request: HttpRequest, pk: int) -> HttpResponse:
    """Give an instrument a new code, so that the old label opens nothing any more."""
    instrument = own_to_change(request, Instrument.objects.select_related("site"), pk)
    codes.renew_code(instrument)
    said = _("%(tag)s has a new code; the old label opens nothing any more. Print the new one.")
    messages.info(request, said % {"tag": instrument.tag})
    return redirect("instrument", pk=instrument.pk)
