"""The instruments of the invented conservatory: makers that never were, ages from new to 120, places."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from fleet import defaults
from fleet.demo.house import RoomPlan
from fleet.demo.spec import FleetSpec, Timeline

MAKERS = {
    "grand": ("Brackholt", "Tessenau", "Ovringer", "Vale & Corrish"),
    "upright": ("Brackholt", "Lindovar", "Maudrell Brothers", "Ovringer"),
    "harpsichord": ("Perrin Sallow", "Quillhaven Workshop"),
    "fortepiano": ("Anselm Dray",),
    "celesta": ("Okenfeld",),
}
MODELS = {
    "grand": ("160", "188", "212"),
    "upright": ("114", "122", "131"),
    "harpsichord": ("single manual", "double manual"),
    "fortepiano": ("five octaves",),
    "celesta": ("four octaves",),
}
LARGE_GRANDS = ("212", "274")
LETTER = {"grand": "G", "upright": "U", "harpsichord": "H", "fortepiano": "F", "celesta": "C"}
EARLY_PITCH_HZ = {"harpsichord": 415.0, "fortepiano": 430.0}
PUBLIC_SLOTS = {
    "concert hall": ("grand", "grand", "celesta"),
    "recital hall": ("grand", "grand"),
    "recital room": ("harpsichord", "fortepiano", "harpsichord", "harpsichord", "fortepiano"),
    "rehearsal room": ("grand", "upright"),
    "store": ("upright", "grand", "harpsichord"),
}
OLDEST_YEARS = 120
# Ages [years] of the first instruments, by use class: a hall's second grand is new, a teaching room has a
# veteran.
KNOWN_AGES = {"concert": (7, 0), "recital": (4, 12), "teaching": (OLDEST_YEARS, 1, 26), "practice": (38, 1)}
CONTROL_SHARE = 0.08
MOVED_PAIRS = 2


@dataclass(frozen=True)
class Instrument:
    """One instrument as its papers have it; `stays` are (first day, position of the room), in order."""

    tag: str
    kind: str
    year_built: int
    in_service: date
    use_class: str
    hours_known: bool
    hours_per_week: float
    glides: int | None
    lever_front_mm: float | None
    lever_back_mm: float | None
    pitch_hz: float
    humidity_control: bool
    maker: str
    model: str
    serial: str
    stays: tuple[tuple[date, int], ...]

    @property
    def room(self) -> int:
        """Position of the room in which it stands now."""
        return self.stays[-1][1]

    @property
    def kinds_of_service(self) -> tuple[str, ...]:
        """The kinds of service that are done on it."""
        return tuple(
            default.kind
            for default in defaults.SERVICE_KINDS
            if not default.instrument_kinds or self.kind in default.instrument_kinds
        )


def collect(spec: FleetSpec, line: Timeline, rooms: Sequence[RoomPlan]) -> tuple[Instrument, ...]:
    """Return the instruments of a fleet with their places, some of which have changed."""
    rng = spec.stream("instruments")
    numbers: Counter[str] = Counter()
    of_use: Counter[str] = Counter()
    fleet = []
    for room, kind in places(spec, rooms):
        use = rooms[room].use_class
        ages = KNOWN_AGES.get(use, ())
        age = ages[of_use[use]] if of_use[use] < len(ages) else any_age(rng)
        numbers[kind] += 1
        of_use[use] += 1
        fleet.append(instrument(rng, line, f"{LETTER[kind]}-{numbers[kind]:03d}", kind, use, room, age))
    return tuple(moved(rng, line, fleet))


def places(spec: FleetSpec, rooms: Sequence[RoomPlan]) -> Iterator[tuple[int, str]]:
    """Give room and kind of every instrument: one for each room, then public rooms, then more of the rest."""
    slots = [PUBLIC_SLOTS.get(room.use) for room in rooms]
    wanted = [(number, everyday(number, 0) if slot is None else slot[0]) for number, slot in enumerate(slots)]
    wanted += [(number, kind) for number, slot in enumerate(slots) if slot for kind in slot[1:]]
    everyday_rooms = [number for number, slot in enumerate(slots) if slot is None] or [0]
    turn = 1
    while len(wanted) < spec.n_instruments:
        wanted += [(number, everyday(number, turn)) for number in everyday_rooms]
        turn += 1
    yield from wanted[: spec.n_instruments]


def everyday(number: int, turn: int) -> str:
    """Return the kind of an instrument of a studio or practice room, so that both kinds stand in most."""
    return "grand" if (number + turn) % 2 else "upright"


def any_age(rng: np.random.Generator) -> int:
    """Return an age [years]: most between ten and fifty, a few far older."""
    return int(np.clip(rng.lognormal(np.log(24), 0.75), 5, OLDEST_YEARS))


def instrument(
    rng: np.random.Generator, line: Timeline, tag: str, kind: str, use: str, room: int, age: int
) -> Instrument:
    """Return one instrument with everything its papers say."""
    in_service = came(rng, line, age)
    large = use in ("concert", "recital")
    usual_hours = 1 if kind == "celesta" else defaults.HOURS_PLAYED_PER_WEEK[use]
    measured = kind == "grand" and rng.random() < 0.5
    return Instrument(
        tag=tag,
        kind=kind,
        year_built=in_service.year if age < 2 else line.today.year - age,
        in_service=in_service,
        use_class=use,
        hours_known=bool(rng.random() < 0.8),
        hours_per_week=round(2 * usual_hours * float(rng.lognormal(0, 0.3))) / 2,
        glides=int(rng.integers(5, 9)) if kind == "grand" and rng.random() < 0.85 else None,
        lever_front_mm=float(np.round(rng.uniform(205, 240), 1)) if measured else None,
        lever_back_mm=float(np.round(rng.uniform(100, 125), 1)) if measured else None,
        pitch_hz=EARLY_PITCH_HZ.get(kind, 440.0),
        humidity_control=bool(kind in ("grand", "upright") and rng.random() < CONTROL_SHARE),
        maker=str(rng.choice(MAKERS[kind])),
        model=str(rng.choice(LARGE_GRANDS if kind == "grand" and large else MODELS[kind])),
        serial=f"{rng.integers(1_000, 99_999)}",
        stays=((in_service, room),),
    )


def came(rng: np.random.Generator, line: Timeline, age: int) -> date:
    """Return the day an instrument came: new ones within the records, old ones second hand at times."""
    if age < 2:
        return line.today - timedelta(days=75 + 330 * age)
    years_here = age if rng.random() < 0.5 else rng.uniform(2, age)
    return line.today - timedelta(days=int(365.2425 * years_here) - 31)


def moved(rng: np.random.Generator, line: Timeline, fleet: list[Instrument]) -> list[Instrument]:
    """Return the fleet after a few moves: pairs of like instruments that changed rooms on one day."""
    waiting: dict[tuple[str, str], int] = {}
    pairs = []
    for number, one in enumerate(fleet):
        if one.use_class not in ("teaching", "practice") or one.in_service >= line.first:
            continue
        partner = waiting.pop((one.kind, one.use_class), None)
        if partner is None:
            waiting[one.kind, one.use_class] = number
        elif fleet[partner].room != one.room:
            pairs.append((partner, number))
    for first, second in pairs[:: max(len(pairs) // MOVED_PAIRS, 1)][:MOVED_PAIRS]:
        day = line.recorded + timedelta(days=int(rng.integers(120, 600)))
        a, b = fleet[first], fleet[second]
        fleet[first], fleet[second] = with_stay(a, day, b.room), with_stay(b, day, a.room)
    return fleet


def with_stay(one: Instrument, day: date, came_from: int) -> Instrument:
    """Return an instrument that stood in another room before a day."""
    return Instrument(**{**vars(one), "stays": ((one.in_service, came_from), (day, one.room))})
