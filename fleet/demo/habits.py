"""How the invented technicians work: about by interval, before each concert, less when other things press.

Nobody here forecasts anything. A service comes when its interval is about over, sooner where somebody has
complained, later where the week had no hours left; vacations are for regulation. What is found is the hidden
truth of that day with an error of measurement, rounded the way people write, and not always written down.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from fleet import defaults
from fleet.demo.concerts import Concert
from fleet.demo.nature import REGISTERS
from fleet.demo.people import Away, Colleague
from fleet.demo.spec import FleetSpec, Floats, Timeline
from fleet.demo.truth import WORST_MARK, Anchor, Truth, Visit

KIND_DEFAULTS = {default.kind: default for default in defaults.SERVICE_KINDS}
# Error of measurement and the step in which people write, in the unit of the kind; priors, no source.
MEASURING_ERROR = {"tuning": 0.4, "bedding": 0.012, "regulation": 0.03, "voicing": 0.4}
WRITTEN_STEP = {"tuning": 0.1, "bedding": 0.01, "regulation": 0.05, "voicing": 0.5}
# What a service really leaves, mean and spread.
LEAVES = {
    "tuning": (0.0, 0.4),
    "bedding": (0.006, 0.006),
    "regulation": (0.0, 0.025),
    "voicing": (0.35, 0.15),
}
VACATION_URGENCY = {"tuning": 0.75, "bedding": 1.0, "regulation": 1.35, "voicing": 0.9}
QUICK_KINDS = {"harpsichord": 0.6, "celesta": 0.4}
COMPLAINED_AT, COMPLAINT_CHANCE, COMPLAINT_URGENCY = 2.2, 0.3, 0.6
BEDDED_BEFORE_REGULATION_DAYS = 45
REGISTERS_SHARE = 0.3
NOTES_SHARE = 0.12
NOTES = {
    "tuning": ("pins a little loose in the tenor", "after a cold week", "one bass string replaced"),
    "bedding": ("rear rail rubbed", "glides eased, none forced", "two passes needed"),
    "regulation": ("dip set with new punchings", "let-off and drop only", "repetition springs eased"),
    "voicing": ("upper treble needled", "break between bass and tenor evened", "shift sounded thin"),
}


@dataclass(frozen=True)
class Record:
    """One service as it was written down."""

    tag: str
    kind: str
    day: date
    minutes: int
    technician: str
    found: float | None
    left: float | None
    registers: tuple[float | None, ...]
    note: str


@dataclass
class Diary:
    """The state of everything while the years go by, and what was written."""

    truth: Truth
    rng: np.random.Generator
    beginnings: dict[tuple[str, str], Anchor]
    anchors: dict[tuple[int, str], Anchor]
    last_touched: dict[int, int] = field(default_factory=dict)
    records: list[Record] = field(default_factory=list)
    visits: dict[tuple[str, str], list[Visit]] = field(default_factory=dict)

    def gap(self, number: int, index: int) -> float:
        """Return the true gap under a key frame on a day; nothing where there is no frame to bed."""
        anchor = self.anchors.get((number, "bedding"))
        return 0.0 if anchor is None else float(self.truth.deviation(number, "bedding", index, anchor))

    def deviation(self, number: int, kind: str, index: int) -> float:
        """Return the true deviation on a day."""
        gap = self.gap(number, index) if kind == "regulation" else 0.0
        return float(self.truth.deviation(number, kind, index, self.anchors[number, kind], gap))

    def serve(self, number: int, kind: str, index: int, who: Colleague, quick: bool = False) -> float:
        """Do a service, write it down and return the hours it took."""
        index = max(index, self.last_touched.get(number, 0))
        found = self.deviation(number, kind, index)
        before = self.anchors[number, kind]
        left = self.leave(kind)
        minutes = self.minutes(number, kind, found, quick)
        self.write(number, kind, index, who, found, left, minutes)
        self.anchors[number, kind] = Anchor(index, left, before.number + 1, self.gap(number, index))
        self.last_touched[number] = index
        tag = self.truth.fleet[number].tag
        self.visits.setdefault((tag, kind), []).append(Visit(self.truth.line.day(index), left))
        return minutes / 60

    def leave(self, kind: str) -> float:
        """Return the true deviation that a service leaves."""
        left = float(self.rng.normal(*LEAVES[kind]))
        return left if kind in ("tuning", "regulation") else max(left, 0.0)

    def minutes(self, number: int, kind: str, found: float, quick: bool) -> int:
        """Return how long a service took."""
        usual = 60 * KIND_DEFAULTS[kind].hours * QUICK_KINDS.get(self.truth.fleet[number].kind, 1.0)
        usual *= 0.65 if quick else 1.0
        pitch_correction = 30 if kind == "tuning" and abs(found) > 10 else 0
        return max(5 * round((usual * self.rng.lognormal(0, 0.15) + pitch_correction) / 5), 10)

    def write(
        self, number: int, kind: str, index: int, who: Colleague, found: float, left: float, minutes: int
    ) -> None:
        """Write a record, with or without what was found."""
        empty = self.rng.random() < who.leaves_empty
        by_register = kind == "tuning" and not empty and self.rng.random() < REGISTERS_SHARE
        registers: tuple[float | None, ...] = (None,) * len(REGISTERS)
        if by_register:
            offsets = self.truth.registers(number, index, self.anchors[number, kind])
            registers = tuple(self.measured(kind, float(offset)) for offset in offsets)
        noted = self.rng.random() < NOTES_SHARE
        self.records.append(
            Record(
                tag=self.truth.fleet[number].tag,
                kind=kind,
                day=self.truth.line.day(index),
                minutes=minutes,
                technician=who.name,
                found=None if empty else self.measured(kind, found),
                left=None if empty or self.rng.random() < 0.3 else self.measured(kind, left),
                registers=registers,
                note=str(self.rng.choice(NOTES[kind])) if noted else "",
            )
        )

    def measured(self, kind: str, true: float) -> float:
        """Return a true value as somebody measures and writes it."""
        step = WRITTEN_STEP[kind]
        written = round(round((true + self.rng.normal(0, MEASURING_ERROR[kind])) / step) * step, 4)
        return float(np.clip(written, 0.0, WORST_MARK)) if kind == "voicing" else written + 0.0


def begin(truth: Truth, rng: np.random.Generator) -> dict[tuple[int, str], Anchor]:
    """Return the state in which every history begins: fresh where new, else somewhere between services."""
    anchors = {}
    for number, one in enumerate(truth.fleet):
        came = truth.line.index(one.in_service)
        position = defaults.USE_CLASSES.index(one.use_class)
        for kind in one.kinds_of_service:
            tolerance = KIND_DEFAULTS[kind].tolerances[position]
            wear = rng.normal(0, 0.5) if kind == "tuning" else rng.uniform(0, 0.7)
            left = float(wear * tolerance) if came <= 0 else 0.0
            anchors[number, kind] = Anchor(max(came, 0), left, number=2 if came <= 0 else 0)
    return with_gaps(truth, anchors)


def with_gaps(truth: Truth, anchors: dict[tuple[int, str], Anchor]) -> dict[tuple[int, str], Anchor]:
    """Return the beginnings with the gap each regulation begins from."""
    for (number, kind), anchor in anchors.items():
        if kind == "regulation" and (number, "bedding") in anchors:
            gap = anchors[number, "bedding"].left
            anchors[number, kind] = Anchor(anchor.index, anchor.left, anchor.number, gap)
    return anchors


def targets(
    truth: Truth, rng: np.random.Generator, anchors: dict[tuple[int, str], Anchor]
) -> dict[tuple[int, str], float]:
    """Return the interval [d] that has become the habit for every instrument and kind."""
    habits = {}
    for number, kind in anchors:
        position = defaults.USE_CLASSES.index(truth.fleet[number].use_class)
        habits[number, kind] = KIND_DEFAULTS[kind].intervals_days[position] * float(rng.lognormal(0, 0.25))
    return habits


def work_the_years(
    spec: FleetSpec,
    truth: Truth,
    concerts: Sequence[Concert],
    people: Sequence[Colleague],
    away: Sequence[Away],
    playing: Floats,
) -> Diary:
    """Return the diary of all weeks up to today, the first simulated year included."""
    rng = spec.stream("habits")
    anchors = begin(truth, rng)
    named = {(truth.fleet[number].tag, kind): anchor for (number, kind), anchor in anchors.items()}
    diary = Diary(truth, rng, named, anchors)
    habits = targets(truth, rng, diary.anchors)
    numbers = {tag: number for number, tag in enumerate(truth.tags)}
    line = truth.line
    today = line.index(line.today)
    pressed = 1.0
    for monday in range((7 - line.first.weekday()) % 7, today - 6, 7):
        pressed = 0.6 * pressed + 0.4 * float(rng.lognormal(-0.15, 0.35))
        hours = week_hours(line, people, away, monday, pressed)
        for concert in concerts:
            if monday <= line.index(concert.day) < monday + 7:
                before_concert(diary, concert, [numbers[tag] for tag in concert.tags], hours)
        for number, kind in due(diary, habits, monday, playing[monday]):
            visit(diary, number, kind, monday, hours)
    return diary


def week_hours(
    line: Timeline, people: Sequence[Colleague], away: Sequence[Away], monday: int, pressed: float
) -> dict[Colleague, float]:
    """Return the hours of each technician in a week, after absences and whatever else presses."""
    midweek = line.day(monday) + timedelta(days=2)
    gone = {entry.name for entry in away if entry.first <= midweek <= entry.last}
    return {
        one: one.hours_per_week * min(pressed, 1.15)
        for one in people
        if one.role == "technician" and one.name not in gone
    }


def before_concert(
    diary: Diary, concert: Concert, numbers: Sequence[int], hours: dict[Colleague, float]
) -> None:
    """Tune what a concert needs on its day; once in a while nobody comes."""
    index = diary.truth.line.index(concert.day)
    for number in numbers:
        who = free(hours, "tuning", 0.0)
        if who and diary.rng.random() < 0.94 and diary.last_touched.get(number, -1) < index:
            hours[who] -= diary.serve(number, "tuning", index, who, quick=True)


def due(
    diary: Diary, habits: dict[tuple[int, str], float], monday: int, playing: float
) -> Iterator[tuple[int, str]]:
    """Give what the habits call for in a week, most overdue first."""
    called = []
    for (number, kind), anchor in diary.anchors.items():
        elapsed = monday - anchor.index
        if elapsed <= 0:
            continue
        urgency = elapsed / (habits[number, kind] * youth(diary.truth, number, kind, monday))
        urgency *= VACATION_URGENCY[kind] if playing < 0.9 else 1.0
        urgency += diary.rng.normal(0, 0.12)
        if complained(diary, number, kind, monday):
            urgency += COMPLAINT_URGENCY
        if urgency > 1:
            called.append((urgency, number, kind))
    for _, number, kind in sorted(called, reverse=True):
        yield number, kind


def youth(truth: Truth, number: int, kind: str, index: int) -> float:
    """Return the factor on the interval of a new instrument: it is tuned and bedded more often."""
    years = (truth.line.day(index) - truth.fleet[number].in_service).days / 365
    return 0.5 + 0.25 * min(years, 2.0) if kind in ("tuning", "bedding") else 1.0


def complained(diary: Diary, number: int, kind: str, index: int) -> bool:
    """Return whether a player has complained: only where it is bad, and then not always."""
    position = defaults.USE_CLASSES.index(diary.truth.fleet[number].use_class)
    limit = COMPLAINED_AT * KIND_DEFAULTS[kind].tolerances[position]
    return diary.rng.random() < COMPLAINT_CHANCE and abs(diary.deviation(number, kind, index)) > limit


def free(hours: dict[Colleague, float], kind: str, needed: float) -> Colleague | None:
    """Return the able technician with most hours left, if there are enough."""
    able = [one for one in hours if one.can_do(kind) and hours[one] > needed]
    return max(able, key=lambda one: hours[one], default=None)


def visit(diary: Diary, number: int, kind: str, monday: int, hours: dict[Colleague, float]) -> None:
    """Do one due service within the week's hours, with what belongs before and after it."""
    who = free(hours, kind, 0.7 * KIND_DEFAULTS[kind].hours)
    if who is None or monday <= diary.anchors[number, kind].index:
        return
    index = monday + int(diary.rng.choice(who.days))
    bedding = diary.anchors.get((number, "bedding"))
    if kind == "regulation" and bedding and index - bedding.index > BEDDED_BEFORE_REGULATION_DAYS:
        hours[who] -= diary.serve(number, "bedding", index, who)
    hours[who] -= diary.serve(number, kind, index, who)
    tuned = diary.anchors[number, "tuning"].index
    if kind in ("regulation", "voicing") and tuned < diary.last_touched[number] and diary.rng.random() < 0.8:
        hours[who] -= diary.serve(number, "tuning", index, who)
