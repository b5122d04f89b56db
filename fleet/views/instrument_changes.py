"""Changing many instruments at once, after what would change has been shown."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import ngettext

from fleet import instrument_changes
from fleet.change_forms import CHANGE_FORMS
from fleet.records import author_of
from fleet.refusal import Refused
from fleet.views.chosen import back_to_chosen, back_to_list, chosen_or_404
from fleet.views.door import fact_page, site_of


@fact_page("POST")
def change_instruments(request: HttpRequest) -> HttpResponse:
    """Make one change of all the chosen instruments, or of none."""
    site, now = site_of(request), timezone.now()
    ids, kind = (
        chosen_or_404(site, request.POST.get("chosen", "")),
        CHANGE_FORMS.get(request.POST.get("what", "")),
    )
    if kind is None:
        raise Http404("no such change")
    form = kind(request.POST, site=site, today=site.local_date(now))
    if not form.is_valid():
        return back_to_chosen(request, list(form.fields))
    author, seen = author_of(request.user, site.pk), request.POST.get("seen", "")
    try:
        rows = instrument_changes.carry_out(form.change(), site, ids, seen, author, now)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return back_to_chosen(request, list(form.fields))
    said = ngettext("%(title)s: done for one instrument.", "%(title)s: done for %(number)d.", len(rows))
    messages.success(request, said % {"title": form.title, "number": len(rows)})
    return back_to_list(request)
