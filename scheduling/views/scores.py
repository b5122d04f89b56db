"""Asking for a score of the forecasts."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from fleet.refusal import Refused
from scheduling import backtesting, tasks
from scheduling.doors import working_site


@login_required
@require_POST
def ask_score(request: HttpRequest) -> HttpResponse:
    """Have the forecasts of the site scored on its own records; whoever only reads is refused."""
    site, folds = working_site(request), request.POST.get("folds", "")
    try:
        asked = backtesting.ask(site, timezone.localdate(), timezone.now(), backtesting.folds_of(folds))
    except Refused as refused:
        messages.error(request, _("Not asked for: %(why)s") % {"why": refused})
    else:
        transaction.on_commit(partial(tasks.backtest.delay, asked.pk), robust=True)
    return redirect("forecast_score")
