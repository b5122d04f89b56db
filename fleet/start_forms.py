"""Forms of the start: a new site, and short rows of instruments and people entered by hand."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from django import forms
from django.conf import settings
from django.core.validators import RegexValidator
from django.utils.translation import gettext_lazy as _

from fleet.models import Site, UseClass
from fleet.models.instruments import KNOWN_KINDS
from fleet.sheets.rows import Line

ROWS = 6


@cache
def zones() -> list[tuple[str, str]]:
    """Return the names of places in the time zone database, without its older names."""
    names = sorted(name for name in zoneinfo.available_timezones() if "/" in name or name == "UTC")
    return [(name, name.replace("_", " ")) for name in names if not name.startswith(("Etc/", "SystemV/"))]


class SiteForm(forms.ModelForm):  # type: ignore[type-arg]
    """Name, time zone and currency of a new site."""

    time_zone = forms.ChoiceField(label=_("Time zone"), choices=zones)
    currency = forms.CharField(
        label=_("Currency"),
        max_length=3,
        initial="EUR",
        validators=[RegexValidator(r"^[A-Z]{3}\Z", _("Three capital letters, such as EUR."))],
    )

    class Meta:
        """What of a site is asked for."""

        model = Site
        fields = ("name", "time_zone", "currency", "hour_cost")
        labels = {"name": _("Name of the school, hall or house"), "hour_cost": _("Cost of an hour, if known")}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["time_zone"].initial = settings.TIME_ZONE
        self.fields["name"].widget.attrs["autocomplete"] = "organization"


@dataclass(frozen=True)
class Entry:
    """A field of a short row: the folder's column, its label, and choices where it has some."""

    name: str
    label: Any
    choices: tuple[str, ...] = ()
    kind: str = "text"
    wide: bool = False


INSTRUMENT_ENTRIES = (
    Entry("instrument", _("Inventory tag")),
    Entry("kind", _("Kind"), KNOWN_KINDS),
    Entry("year_built", _("Year built"), kind="number"),
    Entry("in_service_since", _("In service since (empty: the year built)"), kind="date"),
    Entry("room", _("Room"), wide=True),
    Entry("building", _("Building")),
    Entry("use_class", _("Use"), tuple(UseClass.values)),
    Entry("hours_played_per_week", _("Hours played a week, if known"), kind="number"),
)
PERSON_ENTRIES = (
    Entry("name", _("Name"), wide=True),
    Entry("email", _("E-mail"), kind="email", wide=True),
    Entry("hours_per_week", _("Hours a week for instruments"), kind="number"),
    Entry("hour_cost", _("Cost of an hour, if it is the person's own"), kind="number"),
)
ENTRIES = {"instruments": INSTRUMENT_ENTRIES, "people": PERSON_ENTRIES}
# What a row says by itself where its first field is empty: nothing was entered.
SET_BEFORE = {"kind": "upright", "use_class": "practice"}


@dataclass(frozen=True)
class HandRow:
    """A row of the page: its number, and every field with what was typed."""

    number: int
    fields: list[tuple[Entry, str]]


def hand_rows(kind: str, sent: Mapping[str, str] | None) -> list[HandRow]:
    """Return the rows of a page, with what was sent."""
    return [
        HandRow(number, [(one, _typed(sent, one, number)) for one in ENTRIES[kind]])
        for number in range(1, ROWS + 1)
    ]


def _typed(sent: Mapping[str, str] | None, one: Entry, number: int) -> str:
    if sent is None:
        return SET_BEFORE.get(one.name, "")
    return sent.get(f"{one.name}-{number}", "").replace("\0", "").strip()


def hand_lines(kind: str, rows: list[HandRow]) -> Iterator[Line]:
    """Give the rows in which something was typed as lines of a table."""
    for row in rows:
        typed = {one.name: text for one, text in row.fields}
        if not any(text for name, text in typed.items() if name not in SET_BEFORE):
            continue
        texts = {name: text for name, text in typed.items() if text}
        if kind == "people":
            texts["role"] = "technician"
        elif "in_service_since" not in texts and texts.get("year_built", "").isdecimal():
            texts["in_service_since"] = f"{int(texts['year_built']):04}-01-01"
        yield Line(row.number, texts, {one.name: (str(one.label), text) for one, text in row.fields})
