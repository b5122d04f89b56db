"""The page on which ways in for loggers are made and revoked."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache

from fleet import posted_lines, ways_in
from fleet.access import row_number
from fleet.models import Room, WayIn
from fleet.refusal import Refused
from fleet.views.door import fact_page, may_write, site_of


@never_cache
@fact_page("GET", "POST")
def ways_in_page(request: HttpRequest) -> HttpResponse:
    """Show the ways in of a site; make one and show its secret, this once."""
    site = site_of(request)
    made, secret, trouble = None, "", None
    if request.method == "POST":
        number = request.POST.get("room", "")
        rooms = Room.objects.of_site(site)
        room = get_object_or_404(rooms, pk=row_number(number)) if number.isdecimal() else None
        try:
            made, secret = ways_in.make_way_in(
                site, request.POST.get("name", ""), room, request.user, timezone.now()
            )
        except Refused as refusal:
            trouble = refusal
    context = {
        "rows": WayIn.objects.of_site(site).select_related("room", "made_by").order_by("name", "pk"),
        "rooms": Room.objects.of_site(site).order_by("building", "name"),
        "made": made,
        "secret": secret,
        "trouble": trouble,
        "may_write": may_write(request),
        "address": request.build_absolute_uri(reverse("post_readings")),
        "limits": {"lines": posted_lines.MOST_LINES, "requests": ways_in.MOST_REQUESTS},
    }
    return render(request, "fleet/ways_in.html", context, status=400 if trouble else 200)


@fact_page("POST")
def revoke_way_in(request: HttpRequest, pk: int) -> HttpResponse:
    """Close a way in for good."""
    way_in = get_object_or_404(WayIn.objects.of_site(site_of(request)), pk=pk)
    ways_in.revoke(way_in, timezone.now())
    said = _("%(name)s is revoked: its secret opens nothing any more.")
    messages.info(request, said % {"name": way_in.name})
    return redirect("ways_in")
