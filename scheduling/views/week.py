"""Laying out a week from its page."""

from __future__ import annotations

from urllib.parse import urlencode

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from fleet.refusal import Refused
from fleet.weeks import monday_of
from scheduling import week_planning
from scheduling.doors import working_site


@login_required
@require_POST
def lay_out_week(request: HttpRequest, named: str) -> HttpResponse:
    """Lay out a week, which takes ten seconds at most, and show it."""
    site = working_site(request)
    try:
        monday = monday_of(named)
        week = week_planning.lay_out_week(site, monday, timezone.now(), request.user)
    except ValueError as refusal:
        raise Http404(str(refusal)) from None
    except Refused as refused:
        messages.error(request, _("Not laid out: %(why)s") % {"why": refused})
    else:
        left = week.unplaced.count()
        said = ngettext("one service found no place", "%(left)d services found no place", left)
        end = said % {"left": left} if left else _("everything found a place")
        messages.success(request, _("The week is laid out: %(end)s.") % {"end": end})
    who = "?" + urlencode({"who": "all"}) if request.POST.get("who") == "all" else ""
    return redirect(reverse("week_plan", args=[named]) + who)
