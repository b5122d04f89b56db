"""What the frame around every page of a site needs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.http import HttpRequest
from django.template.loader import render_to_string
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject
from django.utils.translation import get_language
from django.utils.translation import gettext_lazy as _

from fleet.models import Site
from reports.ribbon import Ribbon, build_ribbon

_WAYS_OF_READINGS = ("readings_uploads", "readings_upload", "ways_in")
PAGES = (
    ("this_week", _("This week"), ()),
    ("instruments", _("Instruments"), ("fleet", "leaf", "chosen", "instrument", "service", "forecast_score")),
    (
        "rooms",
        _("Rooms"),
        ("room", "climate", "compare_rooms", "readings_uploads", "readings_upload", "ways_in", "sensors"),
    ),
    ("week_plan", _("Week plan"), ()),
    ("season_plan", _("Season plan"), ("one_season_plan", "draft_order", "what_if", "new_scenario")),
    ("budget", _("Budget"), ("budget_compare", "budget_ahead")),
    ("requests", _("Requests"), ("request", "labels")),
    ("letters", _("Letters"), ("letter", "letter_choices", "calendars", "how_it_runs")),
)
# Pressed after g these open a page; the same in every language, since hands remember them.
KEYS = {
    "this_week": "t",
    "instruments": "i",
    "rooms": "r",
    "week_plan": "w",
    "season_plan": "s",
    "budget": "b",
    "requests": "q",
    "letters": "l",
}


@dataclass(frozen=True)
class PageLink:
    """One entry of the list of pages, with the key that opens it after g."""

    address: str
    title: str
    current: bool
    key: str


def page_links(request: HttpRequest) -> list[PageLink]:
    """Return the pages that have an address, the one being read marked as current."""
    match = getattr(request, "resolver_match", None)
    here = match.url_name if match else ""
    links = []
    for name, title, within in PAGES:
        try:
            address = reverse(name)
        except NoReverseMatch:
            continue
        links.append(PageLink(address, str(title), here == name or here in within, KEYS.get(name, "")))
    return links


def other_sites(request: HttpRequest) -> list[Site]:
    """Return the user's sites but the one being read, for the choice at the head of the page."""
    here = request.membership.site_id  # type: ignore[attr-defined]
    mine = (one.site for one in request.memberships if one.site_id != here)  # type: ignore[attr-defined]
    return sorted(mine, key=lambda site: site.name)


# One page after the other shows the same ribbon; kept by what it draws, so that nothing old is shown.
@lru_cache(maxsize=64)
def _drawn(ribbon: Ribbon, language: str | None) -> str:
    return render_to_string("reports/ribbon.html", {"ribbon": ribbon})


def site_frame(request: HttpRequest) -> dict[str, Any]:
    """Give templates the membership and site of the request, or none of them to a stranger."""
    membership = getattr(request, "membership", None)
    if not membership:
        return {"membership": None, "site": None}
    return {
        "membership": membership,
        "site": membership.site,
        "today": timezone.localdate(),
        "pages": SimpleLazyObject(lambda: page_links(request)),
        "sites": SimpleLazyObject(lambda: other_sites(request)),
        "ribbon": lambda: _drawn(build_ribbon(membership.site, timezone.localdate()), get_language()),
        "stepped_over": getattr(request, "stepped_over", False),
    }
