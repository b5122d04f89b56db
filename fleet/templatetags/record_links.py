"""The link by which the reader of a letter records a visit without a login."""

from __future__ import annotations

from datetime import date

from django import template

from fleet.models import Instrument, Person
from fleet.record_links import record_path

register = template.Library()


@register.simple_tag
def record_address(address: str, person: Person, instrument: Instrument, kind: str, monday: date) -> str:
    """Return the whole address of the form for one visit, for one person."""
    return address.rstrip("/") + record_path(person.pk, instrument.pk, kind, monday)
