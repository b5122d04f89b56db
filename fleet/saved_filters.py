"""Filters that people keep for themselves: kept under a name, renamed, made the one a list opens with."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qsl, urlencode

from django.db import IntegrityError, transaction

from fleet.models import SavedFilter, Site
from fleet.names import name_of
from fleet.refusal import Refused

LONGEST_NAME, LONGEST_QUERY = 60, 1000
MOST_FILTERS = 50  # of one person for one list
PAGES = ("instruments",)
# Which leaf of the list was open is no part of what was asked, nor that all was meant.
LEFT_OUT = ("page", "all")


def of_person(user: Any, site: Site, page: str) -> list[SavedFilter]:
    """Return what a person has kept for a list of a site, by name."""
    return list(SavedFilter.objects.filter(user=user, site=site, page=page).order_by("name"))


def tidy(query: str) -> str:
    """Return a query as it is kept: what was asked, in the order of names, without what was left empty."""
    asked = parse_qsl(query.removeprefix("?"))
    return urlencode(sorted(pair for pair in asked if pair[0] not in LEFT_OUT))


def keep(user: Any, site: Site, page: str, name: str, query: str, default: bool) -> SavedFilter:
    """Keep a filter under a name; one of that name is replaced.

    Raises
    ------
    Refused
        Where the name is empty or too long, the filter is too long, or there are too many already.
    """
    name, query = _name(name), tidy(query)
    if page not in PAGES:
        raise Refused("there is no such list", value=page, accepted=", ".join(PAGES))
    if len(query) > LONGEST_QUERY:
        raise Refused("the filter is too long to be kept", accepted=f"at most {LONGEST_QUERY} characters")
    mine = SavedFilter.objects.filter(user=user, site=site, page=page)
    with transaction.atomic():
        if mine.exclude(name=name).count() >= MOST_FILTERS:
            raise Refused("too many filters are kept", accepted=f"at most {MOST_FILTERS}; remove some")
        if default:
            mine.update(default=False)
        row, _new = SavedFilter.objects.update_or_create(
            user=user, site=site, page=page, name=name, defaults={"query": query, "default": default}
        )
    return row


def change(row: SavedFilter, name: str, default: bool) -> SavedFilter:
    """Rename a filter, and say whether its list opens with it.

    Raises
    ------
    Refused
        Where the name is empty or too long, or another of the person's filters has it.
    """
    name = _name(name)
    mine = SavedFilter.objects.filter(user=row.user_id, site=row.site_id, page=row.page)
    try:
        with transaction.atomic():
            if default:
                mine.exclude(pk=row.pk).update(default=False)
            SavedFilter.objects.filter(pk=row.pk).update(name=name, default=default)
    except IntegrityError:
        raise Refused("another filter has this name", column="name", value=name) from None
    row.refresh_from_db()
    return row


def remove(row: SavedFilter) -> None:
    """Forget a filter."""
    row.delete()


def _name(name: str) -> str:
    name = name_of(name)
    if not name or len(name) > LONGEST_NAME:
        raise Refused(
            "a filter needs a name",
            column="name",
            value=name,
            accepted=f"a name of at most {LONGEST_NAME} characters",
        )
    return name
