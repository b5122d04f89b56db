"""Calendars: the secret addresses calendar programs read, and the page on which they are made."""

from __future__ import annotations

import hashlib

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from fleet.views.door import fact_page, site_of
from scheduling import feed_shelf, feeds
from scheduling.models import Feed


@require_safe
def work_calendar(request: HttpRequest, secret: str) -> HttpResponse:
    """Answer a calendar program that knows a secret; nothing new where it has seen this already."""
    feed = feeds.opened_by(secret)
    if feed is None:
        raise Http404("no such calendar")
    text = feeds.text_of(feed, timezone.now())
    etag = f'"{hashlib.sha256(text.encode()).hexdigest()}"'
    answer = HttpResponse(text, content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = 'inline; filename="work.ics"'
    answer["Cache-Control"] = "private, no-cache"
    answer["ETag"] = etag
    return get_conditional_response(request, etag=etag, response=answer) or answer


@never_cache
@fact_page("GET", "POST")
def calendars(request: HttpRequest) -> HttpResponse:
    """Show which calendars there are; make or renew one and show its address, this once."""
    member, made, address = request.membership, None, ""  # type: ignore[attr-defined]
    if request.method == "POST":
        person = feed_shelf.person_asked(site_of(request), request.POST.get("person", ""))
        if not feeds.may_have(member, request.user, person):
            raise Http404("no calendar of yours")
        made, secret = feeds.renew(site_of(request), person, request.user, timezone.now())
        address = feed_shelf.address_of(secret)
    context = {"shelf": feed_shelf.shelf(member, request.user), "made": made, "address": address}
    return render(request, "scheduling/calendars.html", context)


@fact_page("POST")
def revoke_calendar(request: HttpRequest, pk: int) -> HttpResponse:
    """Close an address for good."""
    feed = get_object_or_404(Feed.objects.of_site(site_of(request)).select_related("person"), pk=pk)
    if not feeds.may_have(request.membership, request.user, feed.person):  # type: ignore[attr-defined]
        raise Http404("no calendar of yours")
    feeds.revoke(feed, timezone.now())
    return redirect("calendars")
