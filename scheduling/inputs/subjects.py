"""Every instrument in use with every kind of service that applies to it, as the engine wants them."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from fleet import defaults
from fleet.measures import MEASURED
from fleet.models import (
    Instrument,
    InstrumentKind,
    Placement,
    Service,
    ServiceRule,
    Site,
    WorksheetLine,
)
from scheduling.engine.subjects import Knock, Playing, Record, RoomAir, Stay, Subject
from scheduling.inputs.air import room_airs
from scheduling.inputs.terms import playing

# A worksheet says of each glide whether it knocked before anything was set: 1 it did, 0 it did not.
KNOCK_QUANTITY = "knock"

RecordsOf = dict[int, dict[str, tuple[Record, ...]]]
OfThose = dict[str, Collection[int]]  # a filter of rows by instrument, empty for all


@dataclass(frozen=True)
class Line:
    """One instrument and one kind of service: what the engine is told, and what only the plan needs."""

    subject: Subject
    instrument_id: int
    weight: float
    hours: float
    spacing_weeks: int = 1
    shorter_beside: tuple[str, ...] = ()
    shorter_by_hours: float = 0.0

    def room_on(self, day: date) -> str:
        """Return where the instrument stands on a day, by what is known."""
        stays = self.subject.stays
        return next((s.room for s in reversed(stays) if s.from_day <= day.toordinal()), stays[0].room)


@dataclass(frozen=True)
class FleetFacts:
    """All that a forecast of a site is made from, as known on a day."""

    today: date
    horizon_days: int
    rooms: tuple[RoomAir, ...]
    lines: tuple[Line, ...]
    playing: Playing

    @property
    def subjects(self) -> tuple[Subject, ...]:
        """The subjects in the order of the lines."""
        return tuple(line.subject for line in self.lines)

    def digest(self) -> str:
        """Return a hash over exactly what the engine is given; row numbers of the database are no part."""
        seen = hashlib.sha256(f"{self.today.isoformat()} {self.horizon_days}".encode())
        for air in self._airs.values():
            seen.update(air)
        for line in self.lines:
            seen.update(self.digest_of(line).encode())
        seen.update(self.playing.days.tobytes() + self.playing.factor.tobytes())
        return seen.hexdigest()

    def digest_of(self, line: Line) -> str:
        """Return a hash over what one line is forecast from: its records, its rooms' air, its playing."""
        name = line.instrument_id, line.subject.service
        if name not in self._digests:
            self._digests[name] = self._digest_of(line.subject)
        return self._digests[name]

    def _digest_of(self, subject: Subject) -> str:
        seen = hashlib.sha256(f"{self.today.isoformat()} {self.horizon_days} {subject!r}".encode())
        for room in sorted({stay.room for stay in subject.stays}):
            seen.update(self._airs.get(room, b""))
        first = min([self.today.toordinal(), *(record.day for record in subject.records)])
        counts = self.playing.days >= first
        seen.update(self.playing.days[counts].tobytes() + self.playing.factor[counts].tobytes())
        return seen.hexdigest()

    @cached_property
    def _digests(self) -> dict[tuple[int, str], str]:
        """What was worked out by :meth:`digest_of` already; it takes long and is asked for more than once."""
        return {}

    @cached_property
    def _airs(self) -> dict[str, bytes]:
        """A hash of the air of each room."""
        found = {}
        for air in self.rooms:
            seen = hashlib.sha256(repr((air.room, air.building, air.borrowed_from, len(air.days))).encode())
            for values in (air.days, air.temp_c, air.rh):
                seen.update(values.tobytes())
            found[air.room] = seen.digest()
        return found


def fleet_facts(
    site: Site, today: date, horizon_days: int, instruments: Collection[int] | None = None
) -> FleetFacts:
    """Return what is known of a site on a day, for a forecast that far ahead.

    Readings and services dated after the day are left out. An instrument counts from the day it entered
    service until the day it is retired. Where instruments are given there are lines of those only, while the
    rooms are always all.
    """
    of_those = {} if instruments is None else {"instrument__in": instruments}
    records = _records(site, today, of_those)
    lines = _lines(site, today, records, of_those)
    first = min((r[0].day for kinds in records.values() for r in kinds.values()), default=today.toordinal())
    since = min(date.fromordinal(first), today)
    until = today + timedelta(days=horizon_days)
    return FleetFacts(today, horizon_days, room_airs(site, today), tuple(lines), playing(site, since, until))


def _lines(site: Site, today: date, records: RecordsOf, of_those: OfThose) -> list[Line]:
    instruments = (
        Instrument.objects.of_site(site)
        .filter(in_service_since__lte=today)
        .exclude(retired_on__lte=today)
        .select_related("room")
        .order_by("tag")
    )
    if of_those:
        instruments = instruments.filter(pk__in=of_those["instrument__in"])
    catalogue = read_catalogue(site)
    stays = _stays(site, of_those)
    knocks = _knocks(site, today, of_those)
    return [
        line
        for instrument in instruments
        for line in catalogue.lines(
            instrument,
            _stays_of(instrument, stays.get(instrument.pk, []), today),
            records.get(instrument.pk, {}),
            knocks.get(instrument.pk, ()),
        )
    ]


@dataclass(frozen=True)
class Catalogue:
    """The services of each use class, and which known kind of instrument one of the site's own is like."""

    rules: dict[str, list[ServiceRule]]
    like: dict[str, str]

    def lines(
        self,
        instrument: Instrument,
        stays: tuple[Stay, ...],
        records: dict[str, tuple[Record, ...]],
        knocks: tuple[Knock, ...],
    ) -> list[Line]:
        """Return an instrument, stored or not, with every service its kind and use ask for."""
        return [
            Line(
                subject=_subject(
                    instrument,
                    rule,
                    stays,
                    records,
                    self.like.get(instrument.kind, ""),
                    knocks if rule.service_kind.kind == "bedding" else (),
                ),
                instrument_id=instrument.pk,
                weight=rule.weight,
                hours=rule.hours,
                spacing_weeks=rule.spacing_weeks,
                shorter_beside=tuple(rule.service_kind.shorter_beside),
                shorter_by_hours=rule.service_kind.shorter_by_hours,
            )
            for rule in self.rules[instrument.use_class]
            if applies(
                rule.service_kind.instrument_kinds, instrument.kind, self.like.get(instrument.kind, "")
            )
        ]


def read_catalogue(site: Site) -> Catalogue:
    """Return a site's services by use class."""
    like = dict(InstrumentKind.objects.of_site(site).values_list("kind", "behaves_like"))
    return Catalogue(_rules(site), like)


def applies(instrument_kinds: list[str], kind: str, behaves_like: str) -> bool:
    """Return whether a service done on these kinds of instrument, none listed meaning all, is done on one.

    A kind that the site has added gets what the known kind gets that it behaves like.
    """
    return not instrument_kinds or kind in instrument_kinds or behaves_like in instrument_kinds


def _subject(
    instrument: Instrument,
    rule: ServiceRule,
    stays: tuple[Stay, ...],
    records: dict[str, tuple[Record, ...]],
    behaves_like: str,
    knocks: tuple[Knock, ...],
) -> Subject:
    service = rule.service_kind
    return Subject(
        instrument=instrument.tag,
        service=service.kind,
        instrument_kind=instrument.kind,
        use_class=instrument.use_class,
        tolerance=rule.tolerance,
        unit=service.unit,
        interval_days=float(rule.interval_days),
        built_day=_built(instrument).toordinal(),
        in_service_day=instrument.in_service_since.toordinal(),
        hours_per_week=_or(
            instrument.hours_played_per_week, defaults.HOURS_PLAYED_PER_WEEK[instrument.use_class]
        ),
        glides=int(_or(instrument.glides, defaults.GLIDES)),
        lever_front_mm=_or(instrument.lever_front_mm, defaults.LEVER_FRONT_MM),
        lever_back_mm=_or(instrument.lever_back_mm, defaults.LEVER_BACK_MM),
        humidity_control=instrument.humidity_control,
        stays=stays,
        records=records.get(service.kind, ()),
        related={kind: rows for kind, rows in sorted(records.items()) if kind != service.kind},
        behaves_like=behaves_like,
        knocks=knocks,
    )


def _or(value: float | None, default: float) -> float:
    return float(default if value is None else value)


def _built(instrument: Instrument) -> date:
    """Only the year is known: its middle, yet never after the day the instrument entered service."""
    return min(date(instrument.year_built, 7, 1), instrument.in_service_since)


def _rules(site: Site) -> dict[str, list[ServiceRule]]:
    by_class: dict[str, list[ServiceRule]] = defaultdict(list)
    rows = ServiceRule.objects.of_site(site).select_related("service_kind")
    for rule in rows.order_by("service_kind__position", "service_kind__kind"):
        by_class[rule.use_class].append(rule)
    return by_class


def _records(site: Site, today: date, of_those: OfThose) -> RecordsOf:
    fields = (*MEASURED, "only_measured")
    rows = Service.objects.of_site(site).filter(date__lte=today, **of_those)
    rows = rows.order_by("instrument_id", "date", "order")
    found: dict[int, dict[str, list[Record]]] = defaultdict(lambda: defaultdict(list))
    for pk, kind, day, *values in rows.values_list("instrument_id", "kind", "date", *fields):
        before, after, *registers, only_measured = values
        left = before if only_measured else after
        found[pk][kind].append(Record(day.toordinal(), before, left, tuple(registers), only_measured))
    return {pk: {kind: tuple(rows) for kind, rows in kinds.items()} for pk, kinds in found.items()}


def _stays(site: Site, of_those: OfThose) -> dict[int, list[tuple[date, date | None, str]]]:
    found = defaultdict(list)
    rows = Placement.objects.of_site(site).filter(**of_those).order_by("instrument_id", "first_day")
    for pk, first, last, room in rows.values_list("instrument_id", "first_day", "last_day", "room__name"):
        found[pk].append((first, last, room))
    return found


def _stays_of(
    instrument: Instrument, placements: list[tuple[date, date | None, str]], today: date
) -> tuple[Stay, ...]:
    """Return where an instrument stood, now stands and will stand.

    The instrument's own room holds from the day after its last placement ended, or from today where the
    placements say another room. A gap between two placements is spent in the room before it.
    """
    now = instrument.room.name
    if not placements:
        return (Stay(instrument.in_service_since.toordinal(), now),)
    stays = [Stay(first.toordinal(), room) for first, _, room in placements]
    past = [(last, room) for first, last, room in placements if first <= today]
    ended = past[-1][0] if past else None
    if not past:
        stays.insert(0, Stay(min(instrument.in_service_since.toordinal(), stays[0].from_day - 1), now))
    elif ended is not None and ended < today:
        stays.insert(len(past), Stay(ended.toordinal() + 1, now))
    elif past[-1][1] != now and placements[len(past) - 1][0] < today:
        stays.insert(len(past), Stay(today.toordinal(), now))
    return tuple(stays)


def _knocks(site: Site, today: date, of_those: OfThose) -> dict[int, tuple[Knock, ...]]:
    """Return, per instrument and day, how many glides knocked of those tried before they were set."""
    rows = WorksheetLine.objects.of_site(site).filter(
        kind="bedding", quantity=KNOCK_QUANTITY, pass_number=1, date__lte=today, **of_those
    )
    glides: dict[int, dict[date, dict[str, bool]]] = defaultdict(lambda: defaultdict(dict))
    for pk, day, point, before in rows.order_by("instrument_id", "date", "pk").values_list(
        "instrument_id", "date", "point", "before"
    ):
        if before is not None:
            glides[pk][day][point] = glides[pk][day].get(point, False) or before > 0
    return {
        pk: tuple(Knock(day.toordinal(), sum(seen.values()), len(seen)) for day, seen in days.items())
        for pk, days in glides.items()
    }
