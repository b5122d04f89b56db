"""Which instruments a form names that is about many, and the pages it came from."""

from __future__ import annotations

from urllib.parse import urlencode

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from fleet import saved_filters
from fleet.change_forms import MOST_AT_ONCE, chosen_numbers
from fleet.models import Instrument, Site


def chosen_or_404(site: Site, text: str) -> set[int]:
    """Return the numbers of chosen instruments; all have to be of the site, and no more than can be taken."""
    ids = chosen_numbers(text)
    found = Instrument.objects.of_site(site).filter(pk__in=ids).count() if len(ids) <= MOST_AT_ONCE else 0
    if not ids or found != len(ids):
        raise Http404("no such instruments of yours")
    return ids


def back_to_chosen(request: HttpRequest, names: list[str]) -> HttpResponse:
    """Show again what would change, with everything as it was filled in."""
    kept = [(name, request.POST.get(name, "")) for name in ("what", "back", *names)]
    chosen = [("chosen", number) for number in request.POST.get("chosen", "").split()]
    return redirect(f"{reverse('chosen')}?{urlencode([*kept, *chosen])}")


def back_to_list(request: HttpRequest) -> HttpResponse:
    """Go back to the list as it was filtered."""
    query = saved_filters.tidy(request.POST.get("back", "")) or "all=1"
    return redirect(f"{reverse('instruments')}?{query}")
