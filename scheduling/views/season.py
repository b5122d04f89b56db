"""What people do to a season plan: hold, release, move, approve, order a draft; each answers a form."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from fleet.access import row_number
from fleet.models import Site
from fleet.refusal import Refused
from scheduling import asked_work, draft_orders, season_changes, tasks
from scheduling.doors import workable_or_404, working_site
from scheduling.forms import DraftForm, MoveForm, SeenForm
from scheduling.models import DraftOrder, PlannedVisit, SeasonPlan
from scheduling.season_changes import Author, author

Do = Callable[[], Any]


@login_required
@require_POST
def hold(request: HttpRequest, pk: int) -> HttpResponse:
    """Fix a visit in its week."""
    visit, by = _visit(request, pk)
    form = SeenForm(request.POST)
    return _answer(
        request,
        visit,
        form,
        lambda: season_changes.hold(visit, form.cleaned_data["seen"], by, timezone.now()),
    )


@login_required
@require_POST
def release(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a held visit go."""
    visit, by = _visit(request, pk)
    form = SeenForm(request.POST)
    return _answer(
        request,
        visit,
        form,
        lambda: season_changes.release(visit, form.cleaned_data["seen"], by, timezone.now()),
    )


@login_required
@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    """Move a visit to another week and hold it there."""
    visit, by = _visit(request, pk)
    form = MoveForm(request.POST)
    return _answer(
        request,
        visit,
        form,
        lambda: season_changes.move(
            visit, form.cleaned_data["week"], form.cleaned_data["seen"], by, timezone.now()
        ),
    )


def _visit(request: HttpRequest, pk: int) -> tuple[PlannedVisit, Author]:
    rows = PlannedVisit.objects.select_related("plan__site", "instrument")
    return workable_or_404(request, rows, pk, lambda visit: visit.plan.site)


def _answer(request: HttpRequest, visit: PlannedVisit, form: Form, do: Do) -> HttpResponse:
    """Do what was asked and go back to the visit in its plan, with a word where it was refused."""
    _try(request, form, do)
    address = reverse("one_season_plan", args=[visit.plan_id])
    return redirect(f"{address}?{urlencode({'visit': visit.pk})}")


def _try(request: HttpRequest, form: Form, do: Do) -> Any:
    if not form.is_valid():
        for field, errors in form.errors.items():
            messages.error(request, f"{form.fields[field].label or field}: {' '.join(map(str, errors))}")
        return None
    try:
        return do()
    except Refused as refused:
        messages.error(request, str(refused)[:1].upper() + str(refused)[1:])
        return None


@login_required
@require_POST
def approve(request: HttpRequest, pk: int) -> HttpResponse:
    """Make a draft the plan people work by."""
    plan, by = workable_or_404(request, SeasonPlan.objects.select_related("site"), pk, lambda row: row.site)
    form = SeenForm(request.POST)
    done = _try(
        request, form, lambda: season_changes.approve(plan, form.cleaned_data["seen"], by, timezone.now())
    )
    if done:
        messages.success(request, _("Approved: letters and the week go by this plan from now on."))
    return redirect("one_season_plan", plan.pk)


@login_required
@require_POST
def order_draft(request: HttpRequest) -> HttpResponse:
    """Ask for a draft, of the site of a plan where one is named, and show how far it is."""
    site, by = _ordering(request, request.POST.get("plan", ""))
    form = DraftForm(request.POST, today=timezone.localdate())
    asked = _try(
        request, form, lambda: draft_orders.order(site, **form.cleaned_data, by=by, at=timezone.now())
    )
    if asked is None:
        start = request.POST.get("start", "")
        return redirect(f"{reverse('season_plan')}?{urlencode({'start': start})}#draft")
    # A queue that cannot be reached loses nothing: the next tick finds the row.
    transaction.on_commit(partial(tasks.make_draft.delay, asked.pk), robust=True)
    return redirect("draft_order", asked.pk)


def _ordering(request: HttpRequest, plan: str) -> tuple[Site, Author]:
    if not plan.isdecimal():
        site = working_site(request)
        return site, author(request.user, site)
    rows = SeasonPlan.objects.select_related("site")
    found, by = workable_or_404(request, rows, row_number(plan), lambda row: row.site)
    return found.site, by


@login_required
@require_POST
def cancel_draft(request: HttpRequest, pk: int) -> HttpResponse:
    """End a draft that still waits or is being made."""
    asked, _by = workable_or_404(request, DraftOrder.objects.select_related("site"), pk, lambda row: row.site)
    asked_work.cancel(asked, timezone.now())
    return redirect("draft_order", asked.pk)
