"""Asking for visits of many instruments, or holding them, after what that means has been shown."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from fleet.access import row_number
from fleet.refusal import Refused
from fleet.views.chosen import back_to_chosen, back_to_list, chosen_or_404
from scheduling import visits_together
from scheduling.doors import workable_or_404
from scheduling.models import SeasonPlan
from scheduling.visit_forms import VISIT_FORMS


@login_required
@require_POST
def place_visits(request: HttpRequest) -> HttpResponse:
    """Place the visits of all the chosen instruments in one week, or of none."""
    number = row_number(request.POST.get("plan", ""))
    plans = SeasonPlan.objects.select_related("site")
    plan, by = workable_or_404(request, plans, number, lambda row: row.site)
    ids, kind = chosen_or_404(plan.site, request.POST.get("chosen", "")), request.POST.get("what", "")
    if kind not in VISIT_FORMS or len(ids) > visits_together.MOST_AT_ONCE:
        raise Http404("no such visits")
    now = timezone.now()
    form = VISIT_FORMS[kind](request.POST, plan=plan, today=plan.site.local_date(now))
    if not form.is_valid():
        return back_to_chosen(request, list(form.fields))
    try:
        rows = visits_together.carry_out(plan, form.wanted(), ids, request.POST.get("seen", ""), by, now)
    except Refused as refused:
        messages.error(request, str(refused)[:1].upper() + str(refused)[1:])
        return back_to_chosen(request, list(form.fields))
    said = ngettext("One visit is held there now.", "%(number)d visits are held there now.", len(rows))
    messages.success(request, said % {"number": len(rows)} if len(rows) > 1 else said)
    return back_to_list(request)
