"""Forms of what-if: ask for a scenario, compute it again, cancel it, delete it."""

from __future__ import annotations

from functools import partial

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from fleet.putting_away import put_away
from fleet.refusal import Refused
from scheduling import asked_work, tasks
from scheduling.doors import workable_or_404, working_site
from scheduling.models import Scenario
from scheduling.scenario_forms import ScenarioForm
from scheduling.scenarios import asking
from scheduling.season_changes import Author, author


@login_required
@require_http_methods(["GET", "HEAD", "POST"])
def new_scenario(request: HttpRequest) -> HttpResponse:
    """Ask what is to be otherwise; what is refused is said beside what was filled in."""
    site = working_site(request)
    filled_in = request.GET.dict()  # by another page, with what it speaks of
    form = ScenarioForm(request.POST or None, initial=filled_in, site=site, today=timezone.localdate())
    if request.method == "POST" and form.is_valid():
        try:
            asked = asking.ask(site, form.question(), author(request.user, site), timezone.now())
        except Refused as refused:
            form.add_error(None, str(refused))
        else:
            for one in asked:
                wake(one)
            return redirect("what_if")
    status = 422 if form.errors else 200
    return render(request, "scheduling/new_scenario.html", {"form": form}, status=status)


def wake(scenario: Scenario) -> None:
    """Tell the queue; one that cannot be reached loses nothing, the next tick finds the row."""
    transaction.on_commit(partial(tasks.compute_scenario.delay, scenario.pk), robust=True)


@login_required
@require_POST
def compute_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Compute a scenario from the facts as they are now."""
    scenario, by = _scenario(request, pk)
    wake(asking.again(scenario, by, timezone.now()))
    return redirect("what_if")


@login_required
@require_POST
def cancel_scenario(request: HttpRequest, pk: int) -> HttpResponse:
    """End a scenario that still waits or is being computed."""
    scenario, _by = _scenario(request, pk)
    asked_work.cancel(scenario, timezone.now())
    return redirect("what_if")


@login_required
@require_POST
def delete_scenario(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a scenario away; it is no fact and nothing rests on it."""
    scenario, _by = _scenario(request, pk)
    messages.success(request, f"{scenario.name}: deleted")
    put_away([scenario], timezone.now(), scenario.name)
    return redirect("what_if")


def _scenario(request: HttpRequest, pk: int) -> tuple[Scenario, Author]:
    return workable_or_404(request, Scenario.objects.select_related("site"), pk, lambda row: row.site)
