"""Keeping, renaming and removing the filters of one's own; whoever may read a list may keep what they ask."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext as _

from fleet import saved_filters
from fleet.models import SavedFilter
from fleet.refusal import Refused
from fleet.views.door import member_page, site_of


@member_page("POST")
def keep_filter(request: HttpRequest) -> HttpResponse:
    """Keep what a list is asked under a name."""
    page, query = request.POST.get("page", ""), request.POST.get("query", "")
    if page not in saved_filters.PAGES:
        raise Http404("no such list")
    default = "default" in request.POST
    try:
        row = saved_filters.keep(
            request.user, site_of(request), page, request.POST.get("name", ""), query, default
        )
    except Refused as refusal:
        messages.error(request, str(refusal)[:1].upper() + str(refusal)[1:])
        return redirect(f"{reverse(page)}?{saved_filters.tidy(query) or 'all=1'}")
    messages.success(request, _("Kept as “%(name)s”.") % {"name": row.name})
    return _to(row)


@member_page("POST")
def change_filter(request: HttpRequest, pk: int) -> HttpResponse:
    """Rename a filter of one's own, let the list open with it or not, or remove it."""
    mine = SavedFilter.objects.filter(user=request.user, site=site_of(request))  # type: ignore[misc]
    row = get_object_or_404(mine, pk=pk)
    if "remove" in request.POST:
        saved_filters.remove(row)
        messages.success(request, _("“%(name)s” is removed.") % {"name": row.name})
        return redirect(f"{reverse(row.page)}?{row.query or 'all=1'}")
    try:
        row = saved_filters.change(row, request.POST.get("name", ""), "default" in request.POST)
    except Refused as refusal:
        messages.error(request, str(refusal)[:1].upper() + str(refusal)[1:])
    else:
        messages.success(request, _("“%(name)s” is kept so.") % {"name": row.name})
    return _to(row)


def _to(row: SavedFilter) -> HttpResponse:
    return redirect(f"{reverse(row.page)}?{row.query or 'all=1'}")
