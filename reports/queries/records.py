"""What the page of one record shows: what it says, what it changed, and what became of it since."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.formats import date_format
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.measures import Measure, measure_of
from fleet.models import Instrument, RecordChange, Service, ServiceRule, WorksheetLine
from fleet.records import REGISTERS, kinds_for, points_of
from reports.queries.freshness import WaitingFacts, waiting_facts
from scheduling.models import Forecast

NAMES = {
    "date": _("day"),
    "minutes": _("minutes"),
    "found": _("found"),
    "left": _("left"),
    "found_bass": _("found in the bass"),
    "found_tenor": _("found in the tenor"),
    "found_middle": _("found in the middle"),
    "found_treble": _("found in the treble"),
    "only_measured": _("only measured"),
    "note": _("note"),
    "hardener_at": _("hardener applied at"),
    "dry_at": _("dry at"),
    "technician": _("technician"),
}


@dataclass(frozen=True)
class Difference:
    """One value that a change altered, as texts."""

    name: Any
    before: str
    after: str


@dataclass(frozen=True)
class ChangeLine:
    """One change with what it altered; of the entry itself nothing is listed, the record says it."""

    change: RecordChange
    differences: list[Difference]


@dataclass(frozen=True)
class RecordPage:
    """One record as its page shows it; `unseen` are the kinds of service of which the day left no record."""

    service: Service
    measure: Measure
    tolerance: float | None
    lines: list[WorksheetLine]
    changes: list[ChangeLine]
    forecast: Forecast | None
    waiting: WaitingFacts | None
    unseen: list[str]

    @property
    def was_out(self) -> bool | None:
        """Whether it was found further out than its tolerance, None where that was not measured."""
        if self.service.found is None or self.tolerance is None:
            return None
        return abs(self.service.found) > self.tolerance

    @property
    def parted(self) -> float | None:
        """How far the registers lay from their middle where that is out of tolerance; None where not."""
        found = [value for _, value in self.registers]
        if self.tolerance is None or len(found) < 2:
            return None
        half = (max(found) - min(found)) / 2
        return half if half > self.tolerance else None

    @property
    def registers(self) -> list[tuple[Any, float]]:
        """What was found in each register."""
        found = [(NAMES[name], getattr(self.service, name)) for name in REGISTERS]
        return [(name, value) for name, value in found if value is not None]


def record_page(service: Service, now: datetime) -> RecordPage:
    """Gather a record, its worksheet, its history and the forecast of its kind."""
    instrument = service.instrument
    # Asked first, so that a forecast stored in between is not shown as still to come.
    waiting = waiting_facts(instrument, now)
    rule = (
        ServiceRule.objects.filter(
            service_kind__site=instrument.site_id,
            service_kind__kind=service.kind,
            use_class=instrument.use_class,
        )
        .select_related("service_kind")
        .first()
    )
    return RecordPage(
        service=service,
        measure=measure_of(service.kind, rule.service_kind.unit if rule else ""),
        tolerance=rule.tolerance if rule else None,
        lines=list(points_of(service)),
        changes=[ChangeLine(change, _differences(change)) for change in service.changes.all()],
        forecast=Forecast.objects.filter(instrument=instrument, kind=service.kind).first(),
        waiting=waiting,
        unseen=_unseen(service, now),
    )


def _unseen(service: Service, now: datetime) -> list[str]:
    """What else is served on an instrument and was not on the day; nothing where the day is long past."""
    instrument = service.instrument
    today = instrument.site.local_date(now)
    if service.date < today - timedelta(days=1) or instrument.retired_on is not None:
        return []
    seen = set(instrument.services.filter(date=service.date).values_list("kind", flat=True))
    return [one.kind for one in kinds_for(instrument) if one.kind not in seen]


def withdrawn(instrument: Instrument) -> list[ChangeLine]:
    """Return the records of an instrument that were withdrawn with what they said, the newest first."""
    changes = instrument.record_changes.filter(what=RecordChange.What.WITHDRAWN)
    return [ChangeLine(change, _differences(change)) for change in changes]


def _differences(change: RecordChange) -> list[Difference]:
    if change.what == RecordChange.What.ENTERED:
        return []
    # A database may keep the names of a JSON value in an order of its own.
    told = [(said, change.values[name]) for name, said in NAMES.items() if name in change.values]
    return [Difference(said, _text(before), _text(after)) for said, (before, after) in told]


def _text(value: Any) -> str:
    """Write a value of the history; days and instants stand there as texts."""
    if value in (None, ""):
        return "–"
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    if not isinstance(value, str):
        return f"{value:g}".replace("-", "\N{MINUS SIGN}")
    day, instant = _parsed(parse_date, value), _parsed(parse_datetime, value)
    if day:
        return date_format(day, gettext("j F Y"))
    return (
        date_format(timezone.localtime(instant), gettext("j F Y, H:i"))
        if instant and instant.tzinfo
        else value
    )


def _parsed(parse: Any, value: str) -> Any:
    try:
        return parse(value)
    except ValueError:
        return None
