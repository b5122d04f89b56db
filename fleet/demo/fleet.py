"""A whole invented fleet in memory: air, instruments, people, concerts, records and the hidden truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from fleet.demo.collection import Instrument, collect
from fleet.demo.concerts import Concert, concert_season
from fleet.demo.habits import Record, work_the_years
from fleet.demo.house import RoomPlan, plan_rooms
from fleet.demo.indoor import IndoorAir, indoor_air
from fleet.demo.nature import draw_natures
from fleet.demo.people import Away, Colleague, absences, staff
from fleet.demo.spec import FleetSpec, Timeline
from fleet.demo.truth import Truth, states
from fleet.demo.weather import outdoor_air
from fleet.demo.year import playing_by_day


@dataclass(frozen=True)
class InventedFleet:
    """Everything the papers of a fleet are written from, and what they do not say."""

    spec: FleetSpec
    line: Timeline
    rooms: tuple[RoomPlan, ...]
    air: IndoorAir
    instruments: tuple[Instrument, ...]
    people: tuple[Colleague, ...]
    away: tuple[Away, ...]
    concerts: tuple[Concert, ...]
    records: tuple[Record, ...]
    truth: Truth


def invent(spec: FleetSpec, today: date) -> InventedFleet:
    """Return a fleet as it is on a day; the same spec and day give the same fleet.

    Notes
    -----
    Asking for more `days_after` changes nothing up to today: every random stream is drawn in order of time.
    """
    line = Timeline.of(spec, today)
    playing = playing_by_day(line)
    rooms = plan_rooms(spec)
    air = indoor_air(spec, line, rooms, outdoor_air(spec, line), playing)
    instruments = collect(spec, line, rooms)
    natures = draw_natures(spec, instruments)
    people, away = staff(spec), absences(line)
    concerts = concert_season(spec, line, rooms, instruments)
    untouched = Truth(
        line=line,
        fleet=instruments,
        natures=natures,
        **states(spec, line, instruments, natures, air, playing),
        beginnings={},
        visits={},
    )
    diary = work_the_years(spec, untouched, concerts, people, away, playing)
    truth = replace(untouched, beginnings=diary.beginnings, visits=diary.visits)
    records = tuple(record for record in diary.records if record.day >= line.recorded)
    return InventedFleet(spec, line, rooms, air, instruments, people, away, concerts, records, truth)
