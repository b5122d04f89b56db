"""What the pages of the history show: changes of facts with their fields in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import FieldDoesNotExist
from django.db.models import Q
from django.utils import timezone
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.access import SiteQuerySet
from fleet.history_words import FIELDS
from fleet.models import FactHistory, Site

# Where the page of a fact is, by its model; others are shown by their history alone.
PAGES = {"fleet.instrument": "instrument", "fleet.room": "room"}


@dataclass(frozen=True)
class ChangedValue:
    """One value that a change altered, as texts."""

    name: str
    before: str
    after: str


@dataclass(frozen=True)
class HistoryLine:
    """One change with what it altered."""

    row: FactHistory
    values: list[ChangedValue]
    page: str  # name of the address of the fact's own page, empty where it has none


def history_of(site: Site, subject: str, pk: int) -> SiteQuerySet[FactHistory]:
    """Return what became of a fact, and of what is shown on it."""
    rows = FactHistory.objects.of_site(site)
    return rows.filter(Q(subject=subject, subject_pk=pk) | Q(within=subject, within_pk=pk))


def history_lines(rows: Iterable[FactHistory]) -> list[HistoryLine]:
    """Return changes with their fields in words; of what was entered, only what was said."""
    return [HistoryLine(row, _values(row), PAGES.get(row.subject, "")) for row in rows]


def subjects(site: Site) -> list[str]:
    """Return the models that the history of a site speaks of."""
    rows = FactHistory.objects.of_site(site).order_by("subject").values_list("subject", flat=True)
    return list(rows.distinct())


def _values(row: FactHistory) -> list[ChangedValue]:
    return [
        ChangedValue(field_word(row.subject, name), _text(before), _text(after))
        for name, (before, after) in row.values.items()
    ]


def field_word(subject: str, name: str) -> str:
    """Return what a field is called."""
    if name in FIELDS:
        return str(FIELDS[name])
    try:
        field = apps.get_model(subject)._meta.get_field(name)
    except (LookupError, ValueError, FieldDoesNotExist):
        return name
    return str(getattr(field, "verbose_name", name))


def _text(value: Any) -> str:
    if value in (None, "", []):
        return "–"
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    if isinstance(value, list):
        return ", ".join(str(one) for one in value)
    if isinstance(value, int | float):
        return f"{value:g}".replace("-", "\N{MINUS SIGN}")
    return _moment(value) if isinstance(value, str) else str(value)


def _moment(text: str) -> str:
    """Write a day or an instant in words, anything else as it is."""
    try:
        day, instant = parse_date(text), parse_datetime(text)
    except ValueError:
        return text
    if day:
        return date_format(day, "j F Y")
    return date_format(timezone.localtime(instant), "j F Y, H:i") if instant and instant.tzinfo else text
