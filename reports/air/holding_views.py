"""Pages about holding a room's humidity: what was asked, one answer, and the answer as a file."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.access import row_number
from fleet.models import Room
from reports.air.holding import EquipmentForm, holding_page, holding_sheet, payback, what_if_query
from reports.doors import current_site, own_or_404, site_page
from reports.season_views import works_here
from reports.tables import TABLE_FILES
from scheduling.models import HoldingStudy

SHOWN = 30


@site_page
def holdings(request: HttpRequest) -> HttpResponse:
    """Show what was asked about holding rooms, of one room where the address names it."""
    site = current_site(request)
    room = Room.objects.of_site(site).filter(pk=row_number(request.GET.get("room", ""))).first()
    rows = HoldingStudy.objects.of_site(site).select_related("room").defer("lines")
    rows = rows if room is None else rows.filter(room=room)
    context = {"room": room, "studies": rows[:SHOWN], "works_here": works_here(request)}
    return render(request, "reports/air/holdings.html", context)


@site_page
def holding_study(request: HttpRequest, pk: int) -> HttpResponse:
    """Show how far a study is, or what it came to; only that where htmx asks."""
    study = own_or_404(request, HoldingStudy.objects.select_related("site", "room"), pk)
    page, form = holding_page(study), EquipmentForm(request.GET or None)
    context = {
        "study": study,
        "page": page,
        "equipment": form,
        "payback": payback(page, form) if page else None,
        "forms": TABLE_FILES,
        "what_if": what_if_query(study),
        "works_here": works_here(request),
    }
    template = "holding_now" if request.htmx else "holding"  # type: ignore[attr-defined]
    return render(request, f"reports/air/{template}.html", context)


@site_page
def holding_file(request: HttpRequest, pk: int, form_name: str) -> HttpResponse:
    """Hand out the figures of a study as a file."""
    study = own_or_404(request, HoldingStudy.objects.select_related("site", "room"), pk)
    form = TABLE_FILES.get(form_name)
    if form is None:
        raise Http404("no such form of file")
    answer = HttpResponse(form.write([holding_sheet(study)]), content_type=form.content_type)
    answer["Content-Disposition"] = f'attachment; filename="holding-{study.pk}.{form_name}"'
    return answer
