"""The links by which a visit is recorded: from a page, and from a letter without a login."""

from __future__ import annotations

from datetime import date
from functools import lru_cache

from django import template
from django.template.loader import render_to_string
from django.utils.translation import get_language

from fleet.models import Instrument, Person
from fleet.record_links import record_path
from fleet.weeks import week_of

register = template.Library()


@register.simple_tag
def record_address(address: str, person: Person, instrument: Instrument, kind: str, monday: date) -> str:
    """Return the whole address of the form for one visit, for one person."""
    return address.rstrip("/") + record_path(person.pk, instrument.pk, kind, monday)


@register.simple_tag
def record_link(instrument: Instrument, kind: str, monday: date) -> str:
    """Return the button to the form for one visit."""
    return _record_link(instrument.pk, instrument.tag, kind, week_of(monday), get_language())


# A week's page has a hundred of them, the same each time it is read.
@lru_cache(maxsize=4096)
def _record_link(pk: int, tag: str, kind: str, week: str, language: str | None) -> str:
    return render_to_string("fleet/record_link.html", {"pk": pk, "tag": tag, "kind": kind, "week": week})
