"""Readings posted by loggers: each line of a body taken or refused by itself, the good ones stored."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import F
from numpy.typing import NDArray

from fleet import bulk, intake
from fleet.imports.readings import BAD, CELLS, FAHRENHEIT_STEP, FAHRENHEIT_ZERO, HUMIDITY, TEMPERATURES
from fleet.local_time import DAY, LocalClock, Micros, instant_of, micros
from fleet.models import Room, WayIn
from fleet.models.air import COLDEST_C, HOTTEST_C
from fleet.posted_lines import NEEDED, Line
from fleet.quality import Floats
from fleet.refusal import Refused, shortened

AHEAD = timedelta(days=1)  # a logger's clock may be a little fast, but not by more
EXAMPLES = 3


@dataclass
class Answer:
    """What became of a line: stored, the same as before, or refused with the reason."""

    line: int
    word: str = ""
    replaced: bool = False
    reason: Refused | None = None

    def document(self) -> dict[str, Any]:
        """Return the answer as plain data."""
        said: dict[str, Any] = {"line": self.line, "answer": self.word}
        if self.replaced:
            said["replaced"] = True
        if self.reason is not None:
            said["message"] = self.reason.message
            for name in ("column", "value", "accepted"):
                value = getattr(self.reason, name)
                if value is not None:
                    said[name] = shortened(str(value))
        return said


@dataclass(frozen=True)
class Taken:
    """What became of a body: an answer a line, and how many readings are kept as doubtful."""

    answers: list[Answer]
    doubtful: int

    def document(self) -> dict[str, Any]:
        """Return the same as plain data."""
        words = [answer.word for answer in self.answers]
        counts: dict[str, Any] = {word: words.count(word) for word in ("stored", "same", "refused")}
        return {
            **counts,
            "doubtful": self.doubtful,
            "lines": [answer.document() for answer in self.answers],
        }


@dataclass(frozen=True)
class _Values:
    """The lines that could be read, as arrays of shape (n,); `place` is the line's place in the body."""

    place: NDArray[np.int64]
    room: NDArray[np.int64]
    times: Micros
    temp_c: Floats
    rh: Floats
    source: list[str]

    def where(self, rows: NDArray[np.bool_] | NDArray[np.int64]) -> _Values:
        picked = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return _Values(
            self.place[picked],
            self.room[picked],
            self.times[picked],
            self.temp_c[picked],
            self.rh[picked],
            [self.source[row] for row in picked],
        )


@transaction.atomic
def take_posted(way_in: WayIn, lines: Sequence[Line], now: datetime) -> Taken:
    """Store the readings of the lines that are good and answer every line.

    Notes
    -----
    A line is taken or refused by itself: a good line is not lost because another is bad. A line that says
    again what is stored is the same; one with other values replaces what is stored, and is answered so.
    """
    answers = [Answer(line.number) for line in lines]
    rooms = _rooms(way_in)
    values = _read(way_in, lines, answers, rooms, now)
    values = _once(values, answers)
    doubtful = _store(way_in, values, answers)
    taken = sum(answer.word == "stored" for answer in answers)
    WayIn.objects.filter(pk=way_in.pk).update(readings_taken=F("readings_taken") + taken)
    return Taken(answers, doubtful)


def _rooms(way_in: WayIn) -> dict[str, int]:
    """Return the rooms of which readings may come, by name."""
    if way_in.room is not None:
        return {way_in.room.name: way_in.room.pk}
    return dict(Room.objects.of_site(way_in.site).order_by("name").values_list("name", "pk"))


def _refuse(answer: Answer, reason: Refused) -> None:
    answer.word, answer.reason = "refused", reason


def _read(
    way_in: WayIn, lines: Sequence[Line], answers: list[Answer], rooms: dict[str, int], now: datetime
) -> _Values:
    """Read every line's cells; a line that cannot be read is answered and left out."""
    kept, times, records = [], [], []
    for place, line in enumerate(lines):
        try:
            record = _record(way_in, line, rooms)
        except Refused as refusal:
            _refuse(answers[place], refusal)
            continue
        kept.append(place)
        times.append(record.pop("time"))
        records.append(record)
    values = _Values(
        place=np.array(kept, np.int64),
        room=np.array([rooms[record["room"]] for record in records], np.int64),
        times=np.array([micros(time) for time in times], np.int64),
        temp_c=np.array([record["temp_c"] for record in records]),
        rh=np.array([record[HUMIDITY] for record in records]),
        source=[record.get("source", "") for record in records],
    )
    is_local = np.array([time.tzinfo is None for time in times], bool)
    good = _place_in_time(way_in, values, is_local, lines, answers)
    latest = micros(now + AHEAD)
    for row in np.flatnonzero(good & (values.times > latest)):
        place = int(values.place[row])
        reason = Refused(
            "a time still to come",
            column="time",
            value=lines[place].cells["time"],
            accepted=f"a time up to {instant_of(latest).isoformat(timespec='minutes')}",
        )
        _refuse(answers[place], reason)
    return values.where(good & (values.times <= latest))


def _record(way_in: WayIn, line: Line, rooms: dict[str, int]) -> dict[str, Any]:
    """Return the values of a line.

    Raises
    ------
    Refused
        With the column, the value and what is accepted.
    """
    if line.refused is not None:
        raise line.refused
    cells = {name: text for name, text in line.cells.items() if text.strip()}
    given = [name for name in TEMPERATURES if name in cells]
    if len(given) != 1:
        raise Refused(
            "both temperatures" if given else "a temperature is missing",
            column=given[-1] if given else "temperature_c",
            value=cells.get(given[-1]) if given else "",
            accepted="exactly one of temperature_c and temperature_f",
        )
    room = cells.get("room", way_in.room.name if way_in.room else "")
    record: dict[str, Any] = {"room": _known(room, rooms)}
    for name in (*NEEDED, *given, "source"):
        if name in NEEDED and name not in cells:
            raise Refused("an empty cell", column=name, value="", accepted="a value in every line")
        record[name] = _value(name, cells.get(name, ""))
    degrees = record.pop(given[0])
    if given[0] == "temperature_f":
        degrees = min(max((degrees - FAHRENHEIT_ZERO) / FAHRENHEIT_STEP, COLDEST_C), HOTTEST_C)
    return record | {"temp_c": degrees}


def _known(room: str, rooms: dict[str, int]) -> str:
    if room in rooms:
        return room
    some = list(rooms)[:EXAMPLES]
    said = ", ".join(some) + (" and others" if len(rooms) > len(some) else "")
    raise Refused("an unknown room", column="room", value=room, accepted=said or "no room yet")


def _value(name: str, text: str) -> Any:
    if not text:
        return BAD[name]
    if not text.isprintable():
        raise Refused("characters that nobody can read", column=name, value=text, accepted="plain text")
    try:
        return CELLS[name].read(text)
    except ValueError as error:
        raise Refused("an impossible reading", column=name, value=text, accepted=str(error)) from None


def _place_in_time(
    way_in: WayIn,
    values: _Values,
    is_local: NDArray[np.bool_],
    lines: Sequence[Line],
    answers: list[Answer],
) -> NDArray[np.bool_]:
    """Turn local times into instants, in place; return which lines have one."""
    good = np.ones(len(values.times), bool)
    if not is_local.any():
        return good
    local = values.times[is_local]
    first, last = (instant_of(us).date() for us in (local.min(), local.max()))
    clock = LocalClock(way_in.site.zone, first, last)
    rooms = values.room[is_local]
    second = clock.second_readings(rooms, local)
    unclear = clock.repeated(local) & ~_told_apart(clock, rooms, local, second)
    for rows, message in (
        (clock.skipped(local), "a time that the clocks skip"),
        (unclear, "a time that the clocks show twice"),
    ):
        for row in np.flatnonzero(is_local)[rows]:
            place = int(values.place[row])
            accepted = "a time with its offset, such as 2026-10-25T02:30+02:00"
            said = lines[place].cells["time"]
            _refuse(answers[place], Refused(message, column="time", value=said, accepted=accepted))
            good[row] = False
    values.times[is_local] = clock.to_utc(local, second)
    return good


def _told_apart(
    clock: LocalClock, rooms: NDArray[np.int64], local: Micros, second: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return for which rows the order of the rows says on which side of a change of the clocks they lie.

    A logger that sends one reading at a time would otherwise have the second hour put upon the first.
    """
    told = np.zeros(len(local), bool)
    repeated = clock.repeated(local)
    for room in np.unique(rooms[repeated]):
        rows = rooms == room
        earliest = local[rows & repeated].min()
        before = (local[rows] < earliest) & (local[rows] >= earliest - DAY)
        told[rows] = before.any() or second[rows].any()
    return told


def _once(values: _Values, answers: list[Answer]) -> _Values:
    """Leave out lines that say again what an earlier one said, and refuse those that differ from it."""
    order = np.lexsort((np.arange(len(values.times)), values.times, values.room))
    first_at: dict[tuple[int, int], int] = {}
    keep = []
    for row in order.tolist():
        key = int(values.room[row]), int(values.times[row])
        first = first_at.setdefault(key, row)
        if first == row:
            keep.append(row)
            continue
        answer = answers[int(values.place[row])]
        if values.temp_c[row] == values.temp_c[first] and values.rh[row] == values.rh[first]:
            answer.word = "same"
            continue
        reason = Refused(
            f"another reading of this room and time stands in line {answers[int(values.place[first])].line}",
            column="time",
            value=instant_of(key[1]).isoformat(),
            accepted="one reading a room and time",
        )
        _refuse(answer, reason)
    return values.where(np.array(keep, np.int64))


def _store(way_in: WayIn, values: _Values, answers: list[Answer]) -> int:
    """Store readings, each room and instant once, answer their lines, return how many are doubtful."""
    touched = np.zeros(len(values.times), bool)
    for room, rows in _by_room(values):
        bulk.hold(room)
        stored = bulk.read_series(room, int(values.times[rows[0]]), int(values.times[rows[-1]]))
        at = np.searchsorted(stored.times, values.times[rows])
        at = np.minimum(at, max(len(stored.times) - 1, 0))
        for row, place in zip(rows.tolist(), at.tolist(), strict=True):
            answer = answers[int(values.place[row])]
            known = len(stored.times) > 0 and stored.times[place] == values.times[row]
            same = known and (
                stored.temp_c[place] == values.temp_c[row] and stored.rh[place] == values.rh[row]
            )
            answer.word, answer.replaced = ("same", False) if same else ("stored", bool(known))
            touched[row] = not same
    new = values.where(touched)
    if not len(new.times):
        return 0
    source = np.array([text or way_in.name[:40] for text in new.source], object)
    counts = intake.store_readings(way_in.site, new.room, new.times, new.temp_c, new.rh, source)
    return counts.doubtful


def _by_room(values: _Values) -> Iterator[tuple[int, NDArray[np.int64]]]:
    """Give each room with its rows in order of time."""
    for room in np.unique(values.room):
        rows = np.flatnonzero(values.room == room)
        yield int(room), rows[np.argsort(values.times[rows], kind="stable")]
