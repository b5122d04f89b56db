"""The end of the start: the first forecast is asked for."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.access import row_number
from fleet.arrivals import writes_at
from fleet.middleware import SESSION_KEY
from fleet.models import Site
from fleet.refusal import Refused
from scheduling import first_forecast, tasks
from scheduling.season_changes import author


@login_required
@require_POST
def begin_forecast(request: HttpRequest) -> HttpResponse:
    """Have a site forecast, and make it the one that the pages are about."""
    number = row_number(request.POST.get("site", ""))
    site = get_object_or_404(Site.objects.for_user(request.user), pk=number)
    if not writes_at(request.user, site):
        raise PermissionDenied("readers read, technicians and administrators write")
    request.session[SESSION_KEY] = site.pk
    try:
        work = first_forecast.ask(site, author(request.user, site), timezone.now())
    except Refused as refused:
        messages.error(request, str(refused)[:1].upper() + str(refused)[1:])
    else:
        # A queue that cannot be reached loses nothing: the next tick finds the row.
        transaction.on_commit(partial(tasks.forecast_first.delay, work.pk), robust=True)
    return redirect("start_next")
