"""What the engine is told of an invented fleet, read off its papers and readings; the truth stays hidden."""

from __future__ import annotations

from collections import defaultdict
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np

from fleet import defaults
from fleet.daily import daily_air
from fleet.demo import collection, habits
from fleet.demo.fleet import InventedFleet
from fleet.demo.house import TIME_ZONE
from fleet.demo.readings import instants, readings
from fleet.demo.year import playing_by_day
from fleet.local_time import EPOCH, LocalClock, micros
from fleet.quality import TRUSTED, doubts
from scheduling.engine.forecast import Playing, Record, RoomAir, Stay, Subject

NOTHING = np.array([], np.int64), np.array([]), np.array([])


def told_rooms(fleet: InventedFleet) -> list[RoomAir]:
    """Daily air of every room from what its sensor wrote, a neighbour's where it has none."""
    when = np.array([micros(instant) for instant in instants(fleet)])
    clock = LocalClock(ZoneInfo(TIME_ZONE), fleet.line.recorded, fleet.line.today)
    measured = {}
    for written in readings(fleet):
        times = when[written.positions]
        temp_c, rh = written.tenths_c / 10, written.tenths_percent / 1000
        trusted = doubts(times, temp_c, rh) == TRUSTED
        air = daily_air(times, temp_c, rh, trusted, clock)
        known = air.hours_covered > 0
        days = air.days[known] + EPOCH.toordinal()
        measured[written.room.name] = days, air.temp_c[known, 0], air.rh[known, 0]
    return [
        RoomAir(
            room.name,
            room.building,
            *measured.get(room.borrows_from or room.name, NOTHING),
            room.borrows_from,
        )
        for room in fleet.rooms
    ]


def told_subjects(fleet: InventedFleet) -> list[Subject]:
    """Every instrument with every kind of service and all records of it."""
    records: dict[str, dict[str, list[Record]]] = defaultdict(lambda: defaultdict(list))
    for one in sorted(fleet.records, key=lambda record: record.day):
        record = Record(one.day.toordinal(), one.found, one.left, one.registers)  # type: ignore[arg-type]
        records[one.tag][one.kind].append(record)
    return [
        _subject(fleet, one, kind, {name: tuple(rows) for name, rows in records[one.tag].items()})
        for one in fleet.instruments
        for kind in one.kinds_of_service
    ]


def _subject(
    fleet: InventedFleet, one: collection.Instrument, kind: str, records: dict[str, tuple[Record, ...]]
) -> Subject:
    use = defaults.USE_CLASSES.index(one.use_class)
    default = habits.KIND_DEFAULTS[kind]
    hours = one.hours_per_week if one.hours_known else defaults.HOURS_PLAYED_PER_WEEK[one.use_class]
    return Subject(
        instrument=one.tag,
        service=kind,
        instrument_kind=one.kind,
        use_class=one.use_class,
        tolerance=default.tolerances[use],
        unit=default.unit,
        interval_days=float(default.intervals_days[use]),
        built_day=min(date(one.year_built, 7, 1), one.in_service).toordinal(),
        in_service_day=one.in_service.toordinal(),
        hours_per_week=float(hours),
        glides=one.glides or defaults.GLIDES,
        lever_front_mm=one.lever_front_mm or defaults.LEVER_FRONT_MM,
        lever_back_mm=one.lever_back_mm or defaults.LEVER_BACK_MM,
        humidity_control=one.humidity_control,
        stays=tuple(Stay(day.toordinal(), fleet.rooms[room].name) for day, room in one.stays),
        records=records.get(kind, ()),
        related={name: rows for name, rows in records.items() if name != kind},
    )


def told_playing(fleet: InventedFleet) -> Playing:
    """The academic year as far as it is laid out."""
    days = fleet.line.first.toordinal() + np.arange(fleet.line.n_days)
    return Playing(days, playing_by_day(fleet.line))
