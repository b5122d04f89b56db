"""What the frame around every page of a site needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.functional import SimpleLazyObject
from django.utils.translation import gettext_lazy as _

PAGES = (
    ("this_week", _("This week"), ()),
    ("instruments", _("Instruments"), ("instrument",)),
    ("rooms", _("Rooms"), ("room",)),
    ("season_plan", _("Season plan"), ()),
    ("requests", _("Requests"), ()),
)


@dataclass(frozen=True)
class PageLink:
    """One entry of the list of pages."""

    address: str
    title: str
    current: bool


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
        links.append(PageLink(address, title, here == name or here in within))
    return links


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
    }
