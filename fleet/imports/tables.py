"""What each file of the folder holds: its columns, their cells, its key, and where the facts live."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import time
from typing import Any

from django.db.models import Model

from fleet import models
from fleet.imports.cells import (
    Cell,
    Choice,
    Country,
    Day,
    Email,
    Instant,
    LowestToHighest,
    Money,
    Notes,
    Number,
    Percent,
    Slug,
    Text,
    TimeOfDay,
    Week,
    Weekdays,
    Whole,
    Words,
    YesNo,
    Zone,
)
from fleet.models.instruments import KNOWN_KINDS, UseClass
from fleet.models.sites import monday_to_friday
from fleet.models.wishes import RequestState

Record = dict[str, Any]
Key = tuple[Any, ...]

#: The column by which each kind of thing is called in other files, and the attribute that holds that name.
NAMES: dict[str, tuple[type[Model], str]] = {
    "room": (models.Room, "name"),
    "instrument": (models.Instrument, "tag"),
    "name": (models.Person, "name"),
}


@dataclass(frozen=True)
class Column:
    """A column: its name in the file, its cells, and the attribute of the model that holds the value.

    ``needed`` columns must be there and filled, ``listed`` ones must be there. Otherwise an empty cell means
    the default, or, with ``empty_keeps``, what stands already; a column that is not there changes nothing.
    ``extra`` columns go beyond the agreed ones and are written only where a row needs them. ``refers`` names
    an entry of :data:`NAMES`; the attribute is then a foreign key.
    """

    name: str
    cell: Cell
    attribute: str = ""
    needed: bool = False
    listed: bool = False
    default: Any = ""
    empty_keeps: bool = False
    extra: bool = False
    refers: str = ""

    @property
    def field(self) -> str:
        """The attribute of the model."""
        return self.attribute or self.name

    @property
    def path(self) -> str:
        """The way from the model to the value, as a queryset writes it."""
        return f"{self.field}__{NAMES[self.refers][1]}" if self.refers else self.field


@dataclass(frozen=True)
class Table:
    """A file of the folder: its model, its columns, and the columns that tell its rows apart.

    ``sort`` are the columns by which it is written, the key unless said; rows that are equal in them stay in
    the order in which they were stored. ``derive`` fills in what the order of the rows says.
    """

    file: str
    model: type[Model]
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    required: bool = False
    sort: tuple[str, ...] = ()
    derive: Callable[[list[Record]], None] | None = None

    @property
    def by_name(self) -> dict[str, Column]:
        """The columns by their names."""
        return {column.name: column for column in self.columns}

    def key_of(self, record: Record) -> Key:
        """Return what tells a row from all others."""
        return tuple(record[name] for name in self.key)


def number_same_days(records: list[Record]) -> None:
    """Tell services of one instrument, kind and date apart by the order of their rows."""
    seen: dict[Key, int] = {}
    for record in records:
        same_day = (record["instrument"], record["kind"], record["date"])
        record.setdefault("order", seen.get(same_day, 0))
        seen[same_day] = record["order"] + 1


def first_pass(records: list[Record]) -> None:
    """Take points for those of the first pass of the first service of the day where nothing else is said."""
    for record in records:
        record.setdefault("order", 0)
        record.setdefault("pass", 1)


def _name(name: str, refers: str = "", longest: int = 120, attribute: str = "") -> Column:
    """Return a needed column with the name of a thing."""
    return Column(name, Text(longest), attribute or refers or name, needed=True, refers=refers)


_INSTRUMENT = _name("instrument", "instrument")
_ROOM = _name("room", "room")
_SERVICE_KIND = Column("kind", Slug(), needed=True)
_FROM = Column("from", Day(), "first_day", needed=True)
_TO = Column("to", Day(), "last_day", needed=True)
_OPEN_TO = Column("to", Day(), "last_day", default=None)
_HOURS_A_WEEK = Number(0, 168)
_LEVER = Number(0, 5000, above=True)


def _measured(name: str) -> Column:
    """Return an optional column with a measured value."""
    return Column(name, Number(), default=None)


SITE = Table(
    "site.csv",
    models.Site,
    ("name",),
    (
        Column("name", Text(120), needed=True),
        Column("time_zone", Zone(), needed=True),
        Column("currency", Text(3), default="EUR"),
        Column("hour_cost", Money(), default=None),
        Column("reserve_hours", Number(0, 10_000), default=0.0, extra=True),
        Column("mail_sender", Email(), extra=True),
        Column("holiday_country", Country(), extra=True),
        Column("holiday_subdivision", Text(20), extra=True),
    ),
    required=True,
)
DAYS_OFF = Table(
    "days_off.csv",
    models.DayOff,
    ("day",),
    (
        Column("day", Day(), needed=True),
        Column("name", Text(120)),
        Column("free", YesNo(), default=True),
    ),
)
ROOMS = Table(
    "rooms.csv",
    models.Room,
    ("room",),
    (
        Column("room", Text(120), "name", needed=True),
        Column("building", Text(120)),
        Column("use", Text(120)),
        Column("borrows_from", Text(120), default=None, extra=True, refers="room"),
        Column("outdoors", YesNo(), default=False, extra=True),
    ),
    required=True,
)
INSTRUMENT_KINDS = Table(
    "instrument_kinds.csv",
    models.InstrumentKind,
    ("kind",),
    (
        Column("kind", Slug(), needed=True),
        Column("behaves_like", Choice(KNOWN_KINDS), needed=True),
        Column("compass", LowestToHighest(), extra=True),
    ),
)
INSTRUMENTS = Table(
    "instruments.csv",
    models.Instrument,
    ("instrument",),
    (
        Column("instrument", Text(40), "tag", needed=True),
        Column("kind", Slug(), needed=True),
        Column("year_built", Whole(1400, 2200), needed=True),
        Column("in_service_since", Day(), needed=True),
        _ROOM,
        Column("use_class", Choice(UseClass.values), needed=True),
        Column("hours_played_per_week", _HOURS_A_WEEK, default=None),
        Column("glides", Whole(0, 100), default=None),
        Column("lever_front_mm", _LEVER, default=None),
        Column("lever_back_mm", _LEVER, default=None),
        Column("pitch_hz", Number(330, 500), default=440.0),
        Column("humidity_control", YesNo(), default=False),
        Column("maker", Text(120)),
        Column("model", Text(120)),
        Column("serial", Text(120)),
        Column("compass", LowestToHighest(), extra=True),
        Column("retired_on", Day(), default=None, extra=True),
    ),
    required=True,
)
PLACEMENTS = Table(
    "placements.csv", models.Placement, ("instrument", "from"), (_INSTRUMENT, _ROOM, _FROM, _OPEN_TO)
)
SERVICES = Table(
    "services.csv",
    models.Service,
    ("instrument", "kind", "date", "order"),
    (
        _INSTRUMENT,
        _SERVICE_KIND,
        Column("date", Day(), needed=True),
        Column("minutes", Whole(0, 6000), default=None),
        Column("technician", Text(120)),
        *map(_measured, ("found", "left", "found_bass", "found_tenor", "found_middle", "found_treble")),
        Column("note", Text()),
        Column("only_measured", YesNo(), default=False, extra=True),
        Column("order", Whole(0, 32767), empty_keeps=True, extra=True),
        Column("hardener_at", Instant(), default=None, extra=True),
        Column("dry_at", Instant(), default=None, extra=True),
    ),
    required=True,
    sort=("instrument", "date", "kind", "order"),
    derive=number_same_days,
)
PEOPLE = Table(
    "people.csv",
    models.Person,
    ("name",),
    (
        Column("name", Text(120), needed=True),
        Column("email", Email(), needed=True),
        Column("role", Choice(models.Role.values), needed=True),
        Column("hours_per_week", _HOURS_A_WEEK, default=None),
        Column("skills", Words(), default=[]),
        Column("hour_cost", Money(), default=None),
        Column("working_days", Weekdays(), default=monday_to_friday(), extra=True),
        Column("by_contract", YesNo(), default=False, extra=True),
        Column("day_from", TimeOfDay(), default=time(8), extra=True),
        Column("day_until", TimeOfDay(), default=time(17), extra=True),
        Column("lunch_from", TimeOfDay(), default=time(12), extra=True),
        Column("lunch_minutes", Whole(0, 240), default=60, extra=True),
    ),
)
ABSENCES = Table(
    "absences.csv", models.Absence, ("name", "from", "to"), (_name("name", "name", 120, "person"), _FROM, _TO)
)
TERMS = Table(
    "terms.csv",
    models.Term,
    ("name", "from"),
    (
        Column("name", Text(80), needed=True),
        _FROM,
        _TO,
        Column("weight_factor", Number(0, 1000), needed=True),
        Column("playing_factor", Number(0, 1000), needed=True),
    ),
    sort=("from", "name"),
)
SENSORS = Table(
    "sensors.csv",
    models.Sensor,
    ("sensor", "from"),
    (
        Column("sensor", Text(120), "name", needed=True),
        _ROOM,
        _FROM,
        _OPEN_TO,
        Column("humidity_offset_percent", Percent(-49.9, 49.9), "humidity_offset", default=0.0),
        Column("humidity_slope", Number(0.501, 1.999), default=1.0, extra=True),
        Column("checked_on", Day(), default=None, extra=True),
    ),
)
WORKSHEETS = Table(
    "worksheets.csv",
    models.WorksheetLine,
    ("instrument", "kind", "date", "order", "pass", "point", "condition", "quantity"),
    (
        _INSTRUMENT,
        _SERVICE_KIND,
        Column("date", Day(), needed=True),
        Column("point", Text(60), needed=True),
        Column("condition", Text(60), listed=True),
        Column("quantity", Text(60), needed=True),
        Column("before", Number(), listed=True, default=None),
        Column("after", Number(), listed=True, default=None),
        Column("unit", Text(16), listed=True),
        Column("order", Whole(0, 32767), default=0, extra=True),
        Column("pass", Whole(1, 32767), "pass_number", default=1, extra=True),
    ),
    sort=("instrument", "date", "kind", "order", "pass"),
    derive=first_pass,
)
HELD = Table(
    "held.csv",
    models.HeldVisit,
    ("instrument", "kind", "week"),
    (_INSTRUMENT, _SERVICE_KIND, Column("week", Week(), needed=True)),
)
REQUESTS = Table(
    "requests.csv",
    models.NoteRequest,
    ("instrument", "made_at", "symptom"),
    (
        _INSTRUMENT,
        Column("notes", Notes(), listed=True, default=[]),
        Column("symptom", Text(80), needed=True),
        Column("made_at", Instant(), needed=True),
        Column("words", Text()),
        Column("made_by", Text(120), extra=True),
        Column("state", Choice(RequestState.values), default=RequestState.OPEN.value, extra=True),
        Column("closed_at", Instant(), default=None, extra=True),
        Column("closed_by", Text(150), extra=True),
        Column("finding", Text(), extra=True),
        Column("finding_shown", YesNo(), default=False, extra=True),
    ),
)
SERVICE_KINDS = Table(
    "service_kinds.csv",
    models.ServiceRule,
    ("kind", "use_class"),
    (
        Column("kind", Slug(), "service_kind__kind", needed=True),
        Column("use_class", Choice(UseClass.values), needed=True),
        Column("tolerance", Number(0, 1e6, above=True), empty_keeps=True),
        Column("weight", Number(0, 1e6), empty_keeps=True),
        Column("hours", Number(0, 1000, above=True), empty_keeps=True),
        Column("interval_days", Whole(1, 100_000), empty_keeps=True),
        Column("spacing_weeks", Whole(1, 60), default=1, empty_keeps=True, extra=True),
        Column("unit", Text(16), "service_kind__unit", empty_keeps=True, extra=True),
        Column(
            "instrument_kinds",
            Words("all"),
            "service_kind__instrument_kinds",
            empty_keeps=True,
            extra=True,
        ),
        Column("position", Whole(0, 32767), "service_kind__position", empty_keeps=True, extra=True),
        Column("shorter_beside", Words("none"), "service_kind__shorter_beside", empty_keeps=True, extra=True),
        Column(
            "shorter_by_hours",
            Number(0, 24, above=True),
            "service_kind__shorter_by_hours",
            empty_keeps=True,
            extra=True,
        ),
    ),
)

#: In the order in which they are stored: what is referred to comes before what refers to it.
PLAIN_TABLES = (
    ROOMS,
    INSTRUMENT_KINDS,
    INSTRUMENTS,
    PLACEMENTS,
    PEOPLE,
    ABSENCES,
    TERMS,
    DAYS_OFF,
    SENSORS,
    SERVICES,
    WORKSHEETS,
    HELD,
    REQUESTS,
)
TABLES = (SITE, SERVICE_KINDS, *PLAIN_TABLES)
#: Columns of the service kinds that say something of the kind as a whole.
KIND_COLUMNS = ("unit", "instrument_kinds", "position", "shorter_beside", "shorter_by_hours")
