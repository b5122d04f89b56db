"""The health page, for machines, and the page on how the installation runs, for its administrators."""

from __future__ import annotations

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from fleet.models import Role
from fleet.views.door import fact_page, site_of
from scheduling import health, running


@require_safe
@never_cache
def healthz(request: HttpRequest) -> JsonResponse:
    """Tell the state of the installation to anybody, without names: 200 when all is well, else 503."""
    state = health.check(timezone.now())
    return JsonResponse(state.document, status=200 if state.well else 503)


@never_cache
@fact_page("GET")
def how_it_runs(request: HttpRequest) -> HttpResponse:
    """Tell an administrator in plain words how the installation and this site's part of it run."""
    if request.membership.role != Role.ADMINISTRATOR:  # type: ignore[attr-defined]
        raise PermissionDenied("for administrators")
    context = {"lines": running.lines(site_of(request), timezone.now())}
    return render(request, "scheduling/how_it_runs.html", context)
