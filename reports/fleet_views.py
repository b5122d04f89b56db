"""The page of the fleet in figures, what its figures draw, and its tables as files."""

from __future__ import annotations

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone

from reports.doors import current_site, site_page
from reports.fleet_figures import SHARES, SHEETS, share_figure, share_tables, sheets
from reports.leaves.kinds import LEAVES
from reports.queries.fleet import fleet_ages, fleet_outlook
from reports.tables import TABLE_FILES


@site_page
def fleet(request: HttpRequest) -> HttpResponse:
    """Show how much of the fleet will be out of tolerance, by building and by use, and how old it is."""
    site, today = current_site(request), timezone.localdate()
    kinds, asked = _services(request)
    outlook = fleet_outlook(site, asked, today)
    context = {
        "kinds": kinds,
        "asked": asked,
        "outlook": outlook,
        "tables": share_tables(outlook),
        "ages": fleet_ages(site, today),
        "files": TABLE_FILES,
        "leaves": LEAVES,
    }
    return render(request, "reports/fleet.html", context)


@site_page
def fleet_figure(request: HttpRequest, by: str) -> JsonResponse:
    """Tell the browser what the shares by building or by use draw."""
    if by not in SHARES:
        raise Http404("no such figure")
    today = timezone.localdate()
    _kinds, asked = _services(request)
    return JsonResponse(share_figure(fleet_outlook(current_site(request), asked, today), by, today).as_json())


@site_page
def fleet_file(request: HttpRequest, form_name: str) -> HttpResponse:
    """Hand out the numbers of the figures, those of the figure asked for first."""
    form, first = TABLE_FILES.get(form_name), request.GET.get("table", SHEETS[0])
    if form is None or first not in SHEETS:
        raise Http404("no such file")
    site, today = current_site(request), timezone.localdate()
    _kinds, asked = _services(request)
    tables = sheets(fleet_outlook(site, asked, today), fleet_ages(site, today), first)
    answer = HttpResponse(form.write(tables), content_type=form.content_type)
    name = f"fleet-{first}-{today.isoformat()}.{form_name}"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def _services(request: HttpRequest) -> tuple[list[str], str]:
    """Return the services of the site and the one asked for, the first unless one is named."""
    kinds = list(current_site(request).service_kinds.values_list("kind", flat=True))
    asked = request.GET.get("service") or (kinds[0] if kinds else "")
    if asked and asked not in kinds:
        raise Http404("no such service")
    return kinds, asked
