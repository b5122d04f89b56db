"""The tables of the folder: what the invented conservatory would hand over on paper."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleet.demo.collection import Instrument
from fleet.demo.fleet import InventedFleet
from fleet.demo.house import TIME_ZONE
from fleet.demo.people import WEEKDAYS
from fleet.demo.readings import sensor_rows
from fleet.demo.worksheets import worksheets
from fleet.demo.year import terms_between
from fleet.weeks import monday_before, week_of

Cell = object
Table = tuple[tuple[str, ...], Iterable[tuple[Cell, ...]]]

CURRENCY, HOUR_COST, RESERVE_HOURS = "EUR", 46, 2
TERMS_AHEAD_DAYS = 400
# Days before today, kind of instrument, notes, symptom, words.
REQUESTS = (
    (1, "grand", "F#5", "sticking key", "comes back slowly since Monday"),
    (2, "upright", "A3 A#3", "out of tune", "the two beat against each other"),
    (3, "grand", "D6 D#6 E6", "too weak", "cannot be heard in the middle of the run"),
    (5, "harpsichord", "G4", "does not speak", ""),
    (6, "upright", "C2", "buzzes", "only when played loud"),
    (8, "grand", "C4 D4", "knock", "a knock from below when the left pedal goes down"),
)
# The same of those that have been answered: days until that, state, what was found, whether players read it.
ANSWERED = (
    ((20, "grand", "D#3", "buzzes", ""), 2, "done", "a pencil lay on the soundboard", "yes"),
    ((26, "upright", "F4", "sticks or comes back slowly", "in the morning"), 3, "nothing_found", "", "no"),
    ((33, "harpsichord", "A4", "does not sound", ""), 1, "done", "a plectrum was worn; a new one cut", "yes"),
)
ANSWER_COLUMNS = ("state", "closed_at", "closed_by", "finding", "finding_shown")


def tables(fleet: InventedFleet) -> dict[str, Table]:
    """Return columns and rows of every table but the readings, by name of file."""
    return {
        "site.csv": site_table(fleet),
        "rooms.csv": rooms_table(fleet),
        "instruments.csv": instruments_table(fleet),
        "placements.csv": placements_table(fleet),
        "services.csv": services_table(fleet),
        "people.csv": people_table(fleet),
        "absences.csv": (("name", "from", "to"), [(one.name, one.first, one.last) for one in fleet.away]),
        "terms.csv": terms_table(fleet),
        "sensors.csv": sensors_table(fleet),
        "worksheets.csv": worksheets_table(fleet),
        "held.csv": (("instrument", "kind", "week"), held_rows(fleet)),
        "requests.csv": (
            ("instrument", "notes", "symptom", "made_at", "words", *ANSWER_COLUMNS),
            request_rows(fleet),
        ),
    }


def site_table(fleet: InventedFleet) -> Table:
    """Return the site itself."""
    columns = ("name", "time_zone", "currency", "hour_cost", "reserve_hours")
    return columns, [(fleet.spec.name, TIME_ZONE, CURRENCY, HOUR_COST, RESERVE_HOURS)]


def rooms_table(fleet: InventedFleet) -> Table:
    """Return the rooms, with the neighbour whose air stands in where there is no sensor."""
    columns = ("room", "building", "use", "borrows_from")
    return columns, [(room.name, room.building, room.use, room.borrows_from) for room in fleet.rooms]


def instruments_table(fleet: InventedFleet) -> Table:
    """Return the instruments; what nobody knows is empty."""
    columns = (
        "instrument",
        "kind",
        "year_built",
        "in_service_since",
        "room",
        "use_class",
        "hours_played_per_week",
        "glides",
        "lever_front_mm",
        "lever_back_mm",
        "pitch_hz",
        "humidity_control",
        "maker",
        "model",
        "serial",
    )
    return columns, [instrument_row(fleet, one) for one in fleet.instruments]


def instrument_row(fleet: InventedFleet, one: Instrument) -> tuple[Cell, ...]:
    """Return the row of one instrument."""
    return (
        one.tag,
        one.kind,
        one.year_built,
        one.in_service,
        fleet.rooms[one.room].name,
        one.use_class,
        one.hours_per_week if one.hours_known else None,
        one.glides,
        one.lever_front_mm,
        one.lever_back_mm,
        one.pitch_hz,
        "yes" if one.humidity_control else "no",
        one.maker,
        one.model,
        one.serial,
    )


def placements_table(fleet: InventedFleet) -> Table:
    """Return where the instruments that have moved stood, and since when they stand where they are."""
    rows: list[tuple[Cell, ...]] = []
    for one in fleet.instruments:
        if len(one.stays) > 1:
            ends = [day - timedelta(days=1) for day, _ in one.stays[1:]]
            for (first, room), last in zip(one.stays, [*ends, None], strict=True):
                rows.append((one.tag, fleet.rooms[room].name, first, last))
    return ("instrument", "room", "from", "to"), rows


def services_table(fleet: InventedFleet) -> Table:
    """Return the records by day; several of one kind on a day keep their order."""
    columns = ("instrument", "kind", "date", "minutes", "technician", "found", "left")
    registers = ("found_bass", "found_tenor", "found_middle", "found_treble")
    rows = [
        (
            record.tag,
            record.kind,
            record.day,
            record.minutes,
            record.technician,
            record.found,
            record.left,
            *record.registers,
            record.note,
        )
        for record in sorted(fleet.records, key=lambda record: record.day)
    ]
    return (*columns, *registers, "note"), rows


def people_table(fleet: InventedFleet) -> Table:
    """Return the people; only technicians have hours, days and skills."""
    columns = ("name", "email", "role", "hours_per_week", "skills", "hour_cost")
    rows: list[tuple[Cell, ...]] = []
    for one in fleet.people:
        works = one.role == "technician"
        days = " ".join(WEEKDAYS[day] for day in one.days) if works else None
        hours = one.hours_per_week if works else None
        contract = "yes" if one.by_contract else "no"
        skills = " ".join(one.skills)
        rows.append((one.name, one.email, one.role, hours, skills, one.hour_cost, days, contract))
    return (*columns, "working_days", "by_contract"), rows


def terms_table(fleet: InventedFleet) -> Table:
    """Return terms and vacations from the first record to more than a year ahead."""
    columns = ("name", "from", "to", "weight_factor", "playing_factor")
    last = fleet.line.today + timedelta(days=TERMS_AHEAD_DAYS)
    parts = terms_between(fleet.line.recorded, last)
    return columns, [(one.name, one.first, one.last, one.weight_factor, one.playing_factor) for one in parts]


def sensors_table(fleet: InventedFleet) -> Table:
    """Return the sensors and what their check showed."""
    return ("sensor", "room", "from", "to", "humidity_offset_percent"), list(sensor_rows(fleet))


def worksheets_table(fleet: InventedFleet) -> Table:
    """Return the measured points of the worksheets."""
    columns = ("instrument", "kind", "date", "point", "condition", "quantity", "before", "after", "unit")
    return columns, [tuple(vars(point).values()) for point in worksheets(fleet)]


def held_rows(fleet: InventedFleet) -> Iterator[tuple[Cell, ...]]:
    """Give two visits that people have fixed: before the next concert, and a long job in the quiet weeks."""
    monday = monday_before(fleet.line.today)
    concert = next(
        (one for one in fleet.concerts if one.tags and one.day >= monday + timedelta(days=7)), None
    )
    if concert:
        yield concert.tags[0], "tuning", week_of(concert.day)
    vacations = [
        part
        for part in terms_between(monday + timedelta(days=7), monday + timedelta(days=300))
        if not part.teaching and part.last >= monday + timedelta(days=21)
    ]
    busy = next((one for one in fleet.instruments if one.use_class == "practice"), None)
    if busy:
        start = max(vacations[0].first, monday + timedelta(days=14))
        yield busy.tag, "regulation", week_of(start)


def request_rows(fleet: InventedFleet) -> Iterator[tuple[Cell, ...]]:
    """Give the note requests of the last weeks, open and answered, each on another instrument of its kind."""
    rng = fleet.spec.stream("requests")
    asked: set[str] = set()
    technician = next(one.name for one in fleet.people if one.role == "technician")
    told = [(one, None) for one in REQUESTS] + [(one, answer) for one, *answer in ANSWERED]
    for (days, kind, notes, symptom, words), answer in told:
        choice = [one.tag for one in fleet.instruments if one.kind == kind and one.tag not in asked]
        if not choice:
            continue
        tag = str(rng.choice(choice))
        asked.add(tag)
        clock = time(int(rng.integers(9, 20)), int(rng.integers(0, 60)))
        made = datetime.combine(fleet.line.today - timedelta(days=days), clock, ZoneInfo(TIME_ZONE))
        yield tag, notes, symptom, made, words, *_answer(made, technician, answer)


def _answer(made: datetime, technician: str, answer: list[Cell] | None) -> tuple[Cell, ...]:
    if answer is None:
        return "open", None, None, None, "no"
    days, state, finding, shown = answer
    return state, made + timedelta(days=int(str(days))), technician, finding, shown
