"""The kinds of change a scenario can make: each is checked, said in words, kept as a row, and applied."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta
from typing import Any, ClassVar, Protocol

from django.utils.translation import gettext as _

from fleet.models import Instrument, InstrumentKind, Person, Role, Room, Site, UseClass
from fleet.models.instruments import KNOWN_KINDS
from fleet.refusal import Refused
from scheduling.engine.said import Figure, Term, joined, worded
from scheduling.forecasting import LONGEST_HORIZON_DAYS
from scheduling.scenarios.start import Start

MOST_ADDED = 200
MOST_HOURS = 1_000.0


class Change(Protocol):
    """One thing that is otherwise than it is."""

    kind: ClassVar[str]

    def check(self, site: Site, today: date) -> None:
        """Refuse what cannot be meant at a site, naming what is accepted."""

    def words(self) -> str:
        """Say it in a few words."""

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""


@dataclass(frozen=True)
class Hours:
    """So many hours a week more, all people together; fewer below zero."""

    kind: ClassVar[str] = "hours"
    hours: float
    first: date | None = None
    last: date | None = None

    def check(self, site: Site, today: date) -> None:
        """Refuse hours that are none or too many, and days that do not rise."""
        if not (0 < abs(self.hours) <= MOST_HOURS):
            raise Refused(
                _("hours a week more"),
                value=self.hours,
                accepted=_("up to %(most_hours)s, not 0") % {"most_hours": f"{MOST_HOURS:g}"},
            )
        _check_days(self.first, self.last)

    def words(self) -> str:
        """Say it in a few words."""
        hours = Figure(abs(self.hours))
        if self.hours > 0:
            return joined(" ", [worded("%(hours)s h a week more", hours=hours), _when(self)])
        return joined(" ", [worded("%(hours)s h a week fewer", hours=hours), _when(self)])

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.with_hours(self.hours, self.first, self.last)


@dataclass(frozen=True)
class Absent:
    """A person away from a day to a day."""

    kind: ClassVar[str] = "away"
    person: str
    first: date
    last: date
    person_id: int = 0

    def check(self, site: Site, today: date) -> None:
        """Refuse somebody who does not work here, and days that do not rise."""
        people = Person.objects.of_site(site).filter(role=Role.TECHNICIAN)
        if not people.filter(pk=self.person_id, name=self.person).exists():
            names = ", ".join(people.values_list("name", flat=True)) or "nobody works here yet"
            raise Refused(_("nobody of that name works here"), value=self.person, accepted=names)
        _check_days(self.first, self.last)

    def words(self) -> str:
        """Say it in a few words."""
        return joined(" ", [worded("%(name)s away", name=self.person), _when(self)])

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.with_away(self.person_id, self.first, self.last)


@dataclass(frozen=True)
class Humidity:
    """The humidity of a room held between two values [fraction] from a day on."""

    kind: ClassVar[str] = "humidity"
    room: str
    low_rh: float
    high_rh: float
    first: date

    def check(self, site: Site, today: date) -> None:
        """Refuse a room that is not here and a band that is none."""
        if not Room.objects.of_site(site).filter(name=self.room).exists():
            raise Refused(_("no such room"), value=self.room, accepted=_("the name of a room of this site"))
        if not 0.0 <= self.low_rh < self.high_rh <= 1.0:
            found = f"{100 * self.low_rh:g} to {100 * self.high_rh:g} %"
            raise Refused(_("a humidity band that is none"), value=found, accepted=_("0 to 100 %, rising"))
        if self.first > today + timedelta(days=LONGEST_HORIZON_DAYS):
            raise Refused(
                _("held from a day beyond every season"), value=self.first, accepted=_("a nearer day")
            )

    def words(self) -> str:
        """Say it in a few words."""
        return worded(
            "%(room)s held at %(low)s–%(high)s %% humidity from %(day)s",
            room=self.room,
            low=Figure(100 * self.low_rh),
            high=Figure(100 * self.high_rh),
            day=self.first,
        )

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.with_humidity_held(self.room, self.low_rh, self.high_rh, self.first)


@dataclass(frozen=True)
class Added:
    """New instruments of a kind and use in a room."""

    kind: ClassVar[str] = "added"
    count: int
    instrument_kind: str
    use_class: str
    room: str

    def check(self, site: Site, today: date) -> None:
        """Refuse a number, kind, use or room that is not known."""
        if not 1 <= self.count <= MOST_ADDED:
            raise Refused(
                _("instruments added"),
                value=self.count,
                accepted=_("1 to %(most_added)s") % {"most_added": MOST_ADDED},
            )
        kinds = {*KNOWN_KINDS, *InstrumentKind.objects.of_site(site).values_list("kind", flat=True)}
        if self.instrument_kind not in kinds:
            accepted = ", ".join(sorted(kinds))
            raise Refused(_("unknown kind of instrument"), value=self.instrument_kind, accepted=accepted)
        _check_use(self.use_class)
        if not Room.objects.of_site(site).filter(name=self.room).exists():
            raise Refused(_("no such room"), value=self.room, accepted=_("the name of a room of this site"))

    def words(self) -> str:
        """Say it in a few words."""
        return worded(
            "%(count)s new %(kind)s, %(use)s, in %(room)s",
            count=self.count,
            kind=Term(self.instrument_kind),
            use=Term(self.use_class),
            room=self.room,
        )

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.with_added(self.count, self.instrument_kind, self.use_class, self.room)


@dataclass(frozen=True)
class Retired:
    """Instruments no longer worked on."""

    kind: ClassVar[str] = "retired"
    tags: tuple[str, ...]

    def check(self, site: Site, today: date) -> None:
        """Refuse instruments that are not here."""
        _check_tags(site, self.tags)

    def words(self) -> str:
        """Say it in a few words."""
        return worded("%(tags)s retired", tags=", ".join(self.tags))

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.without(self.tags)


@dataclass(frozen=True)
class OtherUse:
    """Instruments in another use class."""

    kind: ClassVar[str] = "use"
    tags: tuple[str, ...]
    use_class: str

    def check(self, site: Site, today: date) -> None:
        """Refuse instruments that are not here and a use class that is none."""
        _check_tags(site, self.tags)
        _check_use(self.use_class)

    def words(self) -> str:
        """Say it in a few words."""
        return worded("%(tags)s as %(use)s", tags=", ".join(self.tags), use=Term(self.use_class))

    def apply(self, start: Start) -> Start:
        """Return the season's inputs with the change made."""
        return start.with_use(self.tags, self.use_class)


KINDS: dict[str, Any] = {kind.kind: kind for kind in (Hours, Absent, Humidity, Added, Retired, OtherUse)}


def to_rows(changes: Iterable[Change]) -> list[dict[str, Any]]:
    """Return changes as rows of plain values."""
    return [
        {
            "kind": change.kind,
            **{field.name: _plain(getattr(change, field.name)) for field in fields(change)},  # type: ignore[arg-type]
        }
        for change in changes
    ]


def from_rows(rows: Iterable[dict[str, Any]]) -> tuple[Change, ...]:
    """Return the changes that rows hold."""
    return tuple(
        KINDS[row["kind"]](**{name: _read(name, value) for name, value in row.items() if name != "kind"})
        for row in rows
    )


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value


def _read(name: str, value: Any) -> Any:
    if name in ("first", "last"):
        return None if value is None else date.fromisoformat(value)
    return tuple(value) if isinstance(value, list) else value


def _check_days(first: date | None, last: date | None) -> None:
    if first is not None and last is not None and last < first:
        raise Refused(
            _("the last day comes before the first"),
            value=last,
            accepted=_("%(first)s or later") % {"first": first},
        )


def _check_tags(site: Site, tags: Sequence[str]) -> None:
    known = set(Instrument.objects.of_site(site).filter(tag__in=tags).values_list("tag", flat=True))
    unknown = [tag for tag in tags if tag not in known]
    if unknown or not tags:
        raise Refused(
            _("no such instrument"),
            value=", ".join(unknown),
            accepted=_("inventory tags with commas between"),
        )


def _check_use(use_class: str) -> None:
    if use_class not in UseClass.values:
        raise Refused(_("unknown use class"), value=use_class, accepted=", ".join(UseClass.values))


def _when(change: Hours | Absent) -> str:
    return joined(
        " ",
        [
            worded("from %(day)s", day=change.first) if change.first else "",
            worded("to %(day)s", day=change.last) if change.last else "",
        ],
    )
