"""The list of instruments, its file, and what changing those chosen from it would do."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone

from fleet import saved_filters
from fleet.models import SavedFilter
from fleet.views.door import may_write
from reports.axis import TimeAxis
from reports.chosen import ACTIONS, chosen_page
from reports.doors import current_site, site_page
from reports.filters import InstrumentFilter, heads
from reports.instrument_files import instrument_sheet
from reports.queries import instruments, plans
from reports.tables import TABLE_FILES

PAGE_SIZE = 60
LIST = "instruments"


@site_page
def instrument_list(request: HttpRequest) -> HttpResponse:
    """Show the fleet as a column of due windows; only the list where htmx asks."""
    site, today = current_site(request), timezone.localdate()
    kept = saved_filters.of_person(request.user, site, LIST)
    opening = next((one.query for one in kept if one.default), "")
    if opening and not request.GET:
        return redirect(f"{reverse(LIST)}?{opening}")
    chosen = InstrumentFilter(request.GET, instruments.whole_fleet(site), site=site)
    page = Paginator(chosen.qs, PAGE_SIZE).get_page(request.GET.get("page"))
    axis = TimeAxis(today, today + instruments.AHEAD)
    template = "instrument_lines" if request.htmx else "instruments"  # type: ignore[attr-defined]
    context = {
        "filter": chosen,
        "page": page,
        "axis": axis,
        "lines": instruments.fleet_lines(page, axis, plans.plan_for(site, today)),
        "files": TABLE_FILES,
        "heads": heads(request.GET),
        **_kept(request, kept),
    }
    return render(request, f"reports/{template}.html", context)


def _kept(request: HttpRequest, kept: list[SavedFilter]) -> dict[str, Any]:
    query, asked = saved_filters.tidy(request.GET.urlencode()), request.GET.items()
    return {
        "kept": kept,
        "query": query,
        "here": next((one for one in kept if one.query == query), None),
        "asked": [(name, value) for name, value in asked if name in InstrumentFilter.base_filters],
        "may_write": may_write(request),
        "actions": ACTIONS,
    }


@site_page
def instrument_file(request: HttpRequest, form_name: str) -> HttpResponse:
    """Hand out the list of instruments as filtered, all its leaves, as a file."""
    form, site = TABLE_FILES.get(form_name), current_site(request)
    if form is None:
        raise Http404("no such file")
    chosen = InstrumentFilter(request.GET, instruments.whole_fleet(site), site=site)
    answer = HttpResponse(form.write([instrument_sheet(site, chosen.qs)]), content_type=form.content_type)
    name = f"instruments-{timezone.localdate().isoformat()}.{form_name}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@site_page
def chosen(request: HttpRequest) -> HttpResponse:
    """Show what a change would do to each of the chosen instruments; nothing is changed here."""
    if not may_write(request):
        raise PermissionDenied("readers read, technicians and administrators write")
    page = chosen_page(current_site(request), request.GET, timezone.localdate())
    return render(request, "reports/chosen.html", {"page": page})
