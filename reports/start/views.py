"""The page that ends the start."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fleet.models import Role
from reports.doors import current_site, site_page
from reports.start.checklist import checklist
from scheduling.models import FirstForecast


@site_page
def start_next(request: HttpRequest) -> HttpResponse:
    """Show what is there, what is missing and how far the first forecast is."""
    site = current_site(request)
    newest = FirstForecast.objects.of_site(site).first()
    done = FirstForecast.objects.of_site(site).filter(state=FirstForecast.State.DONE).first()
    role = request.membership.role  # type: ignore[attr-defined]
    items = checklist(site, done, role == Role.ADMINISTRATOR)
    context = {
        "items": items,
        "work": newest,
        "ready": items[0].there == "open",
        "works_here": role != Role.READER,
    }
    template = "start_forecast" if request.htmx else "start_next"  # type: ignore[attr-defined]
    return render(request, f"reports/{template}.html", context)
