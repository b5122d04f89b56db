"""What goes with a worksheet: its sum while it is filled in, a sheet of paper, and the dip calculator."""

from __future__ import annotations

from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from fleet.cautions import CAUTIONS
from fleet.dip_form import DipForm
from fleet.models import Instrument
from fleet.record_order import order_words
from fleet.records import kinds_for
from fleet.views.door import own_or_404
from fleet.worksheets import layout
from fleet.worksheets.sheet import Sheet

INSTRUMENTS = Instrument.objects.select_related("site", "room")
PAPER_PASSES, PAPER_NOTES = 2, 6


@login_required
@require_POST
def sum_up(request: HttpRequest, pk: int, kind: str) -> HttpResponse:
    """Tell what a worksheet comes to as it stands in the form; nothing is stored."""
    instrument = _instrument(request, pk, kind)
    sheet = Sheet(kind, instrument, request.POST)
    return render(request, "fleet/summary.html", {"sheet": sheet, "kind": kind})


@login_required
@require_safe
def paper(request: HttpRequest, pk: int, kind: str) -> HttpResponse:
    """Show an empty worksheet to be printed."""
    instrument = _instrument(request, pk, kind)
    glides = Sheet(kind, instrument).glides
    today = instrument.site.local_date(timezone.now())
    context = {
        "instrument": instrument,
        "kind": kind,
        "blocks": layout.blocks_of(kind, glides, PAPER_PASSES, PAPER_NOTES),
        "order_words": order_words(kind, {}, today),
        "caution": CAUTIONS.get(kind),
        "targets": layout.TARGETS_MM,
    }
    return render(request, "fleet/paper.html", context)


@login_required
@require_safe
def dip(request: HttpRequest, pk: int) -> HttpResponse:
    """Tell what a change at the balance rail does to the key dip, and the other way round."""
    instrument = own_or_404(request, INSTRUMENTS.all(), pk)
    form = DipForm(instrument, request.GET or None)
    form.is_valid()
    template = "dip_answer" if request.htmx else "dip"  # type: ignore[attr-defined]
    return render(request, f"fleet/{template}.html", {"instrument": instrument, "form": form})


def _instrument(request: HttpRequest, pk: int, kind: str) -> Instrument:
    instrument = own_or_404(request, INSTRUMENTS.all(), pk)
    if kind not in layout.BLOCKS or kind not in [one.kind for one in kinds_for(instrument)]:
        raise Http404(f"no worksheet for {kind} of {instrument}")
    return instrument
