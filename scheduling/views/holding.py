"""Forms about holding a room's humidity: ask what it would be worth, cancel that."""

from __future__ import annotations

from functools import partial

from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from fleet.refusal import Refused
from scheduling import asked_work, holding, tasks
from scheduling.doors import workable_or_404, working_site
from scheduling.holding_forms import HoldingForm
from scheduling.models import HoldingStudy
from scheduling.season_changes import author


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def ask_holding(request: HttpRequest) -> HttpResponse:
    """Ask for the worth of a band; what is refused is said beside what was filled in."""
    site = working_site(request)
    form = HoldingForm(
        request.POST or None, initial=request.GET.dict(), site=site, today=timezone.localdate()
    )
    if request.method == "POST" and form.is_valid():
        try:
            study = holding.ask(form.question(), author(request.user, site), timezone.now())
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            transaction.on_commit(partial(tasks.compute_holding.delay, study.pk), robust=True)
            return redirect("holding_study", study.pk)
    status = 422 if form.errors else 200
    return render(request, "scheduling/ask_holding.html", {"form": form}, status=status)


@login_required
@require_POST
def cancel_holding(request: HttpRequest, pk: int) -> HttpResponse:
    """End a study that still waits or is being computed."""
    study, _by = workable_or_404(
        request, HoldingStudy.objects.select_related("site"), pk, lambda study: study.site
    )
    asked_work.cancel(study, timezone.now())
    return redirect("holding_study", study.pk)
