"""Forms of what looks further than a plan: ask for the need of some years, end it."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from fleet.access import row_number
from fleet.refusal import Refused
from scheduling import asked_work, seasons_ahead, tasks
from scheduling.doors import workable_or_404, working_site
from scheduling.models import SeasonsAhead
from scheduling.season_changes import author


@login_required
@require_POST
def ask_seasons_ahead(request: HttpRequest) -> HttpResponse:
    """Ask for the need of the next years; the worker computes it."""
    site = working_site(request)
    years = row_number(request.POST.get("years", ""))
    try:
        asked = seasons_ahead.ask(site, years, author(request.user, site), timezone.now())
    except Refused as refused:
        messages.error(request, str(refused)[:1].upper() + str(refused)[1:])
    else:
        # A queue that cannot be reached loses nothing: the next tick finds the row.
        transaction.on_commit(partial(tasks.look_ahead.delay, asked.pk), robust=True)
    return redirect("budget_ahead")


@login_required
@require_POST
def cancel_seasons_ahead(request: HttpRequest, pk: int) -> HttpResponse:
    """End work that still waits or is being computed."""
    rows = SeasonsAhead.objects.select_related("site")
    work, _by = workable_or_404(request, rows, pk, lambda row: row.site)
    asked_work.cancel(work, timezone.now())
    return redirect("budget_ahead")
