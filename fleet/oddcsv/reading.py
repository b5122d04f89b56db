"""Reading an odd file as it was said to be read: batches of arrays, and every line that cannot be taken."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from itertools import zip_longest
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fleet.local_time import LocalClock, Micros, instant_of
from fleet.oddcsv import choices as say
from fleet.oddcsv.choices import Choices, missing_in
from fleet.oddcsv.numbers import read_number
from fleet.oddcsv.stamps import MINUTE, StampReader
from fleet.oddcsv.text import parts, without_empty_end
from fleet.refusal import AllRefused, Refused

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_FOUND = 20
MOST_LINES = 3_000_000
CACHED = 100_000  # texts of a column
COLDEST_C, HOTTEST_C = -40.0, 60.0  # as a stored reading is bounded; a test holds the two together
FAHRENHEIT_ZERO, FAHRENHEIT_STEP = 32.0, 1.8  # exact by definition of the scale
#: What loggers write where they measured nothing.
NOTHING = frozenset(("", "-", "--", "---", "nan", "na", "n/a", "null", "none", "err", "error", "#n/a"))
_SCALES = {say.CELSIUS: 0, say.FAHRENHEIT: 0, say.PERCENT: -2, say.FRACTION: 0}


@dataclass(frozen=True)
class Batch:
    """Readings of some lines; arrays of shape (n,). Times [µs] are of the site's wall where it was chosen."""

    line: Ints
    room: Ints
    time: Micros
    temp_c: Floats
    rh: Floats

    def picked(self, rows: Ints | NDArray[np.bool_]) -> Batch:
        """Return the readings of some rows, in their order."""
        return Batch(self.line[rows], self.room[rows], self.time[rows], self.temp_c[rows], self.rh[rows])


@dataclass
class Repeated:
    """Rows of a room that tell one passage of a repeated hour from the other."""

    first: int  # local time of the room's first row [µs]
    last: int
    lines: list[int] = field(default_factory=list)
    times: list[int] = field(default_factory=list)


class _Numbers(dict[str, float]):
    """Numbers of a column by their text, each read once; NaN where it is no number within the bounds."""

    def __init__(self, meaning: str, mark: str) -> None:
        super().__init__()
        self.meaning, self.mark = meaning, mark
        self.low, self.high = (0.0, 1.0) if meaning in say.HUMIDITIES else (COLDEST_C, HOTTEST_C)

    def __missing__(self, text: str) -> float:
        if len(self) > CACHED:
            self.clear()
        try:
            value = read_number(text, self.mark, _SCALES[self.meaning])
        except ValueError:
            value = np.nan
        if self.meaning == say.FAHRENHEIT:
            # Rounded to the grain of a float, so that the bounds of one scale are those of the other.
            value = round((value - FAHRENHEIT_ZERO) / FAHRENHEIT_STEP, 9)
        self[text] = value if self.low <= value <= self.high else np.nan
        return self[text]

    @property
    def accepted(self) -> str:
        """What is taken, in words."""
        low, high = self.low, self.high
        if self.meaning == say.PERCENT:
            low, high = 100 * low, 100 * high
        elif self.meaning == say.FAHRENHEIT:
            low, high = (FAHRENHEIT_ZERO + FAHRENHEIT_STEP * bound for bound in (low, high))
        mark = "comma" if self.mark == "," else "point"
        return f"a number with a decimal {mark}, at least {low:g}, at most {high:g}"


class OddReader:
    """Reads a file batch by batch; what cannot be taken is collected with its line.

    Parameters
    ----------
    path : the file
    choices : how it is to be read
    zone : the site's time zone
    latest : the last instant [µs] that a reading may have
    rooms : places of the rooms by name, where the file has a column of them

    Raises
    ------
    Refused
        Where the choices say too little.
    """

    def __init__(
        self, path: Path, choices: Choices, zone: tzinfo, latest: int, rooms: Mapping[str, int] | None = None
    ) -> None:
        unsaid = missing_in(choices)
        if unsaid:
            raise Refused(unsaid[0][1], column=unsaid[0][0], accepted="an answer to this question")
        self.path, self.choices, self.zone, self.latest = path, choices, zone, latest
        self.rooms = {name.casefold(): place for name, place in (rooms or {}).items()} | dict(rooms or {})
        self.names = sorted(rooms or ())
        self.found: list[Refused] = []
        self.lines_read = self.left_out = 0
        self.header: list[str] = []
        self._stamps = StampReader(choices.order)
        self._values = {
            place: _Numbers(choices.meanings[place], choices.decimal)
            for place in (choices.column(*say.TEMPERATURES), choices.column(*say.HUMIDITIES))
            if place is not None
        }
        self._repeated: dict[int, Repeated] = {}

    def batches(self) -> Iterator[Batch]:
        """Give the readings of the file, so many at a time, without the lines that cannot be taken.

        Raises
        ------
        Refused
            Where the file as a whole stops being one, or enough lines are found that cannot be taken.
        """
        shape = self.choices.shape
        for lines, rows in parts(self.path, shape.encoding, shape.delimiter):
            start = int(np.searchsorted(np.array(lines), shape.header_line, side="left"))
            if not self.header and start < len(lines) and lines[start] == shape.header_line:
                self.header = [name.strip() for name in without_empty_end(rows[start])]
                self._check_width()
            below = int(np.searchsorted(np.array(lines), shape.header_line, side="right"))
            if below == len(lines):
                continue
            self.lines_read += len(lines) - below
            if self.lines_read > MOST_LINES:
                raise Refused(
                    "too many lines", line=lines[-1], accepted=f"at most {MOST_LINES:,}; split the file"
                )
            yield self._batch(lines[below:], rows[below:])

    def finish(self) -> None:
        """Go on only where every line could be taken.

        Raises
        ------
        AllRefused
            With everything that was found.
        """
        if self.found:
            raise AllRefused(self.found)
        if self.lines_read == self.left_out:
            raise Refused(
                "no readings in the file", line=self.choices.header_line, accepted="rows with both values"
            )

    def instants(self, line: Ints, time: Micros) -> Micros:
        """Return the instants [µs] of readings, once the whole file is read."""
        if self.choices.clock != say.SITE_CLOCK or not len(time):
            return time
        clock = self._clock(time)
        return clock.to_utc(time, np.isin(line, self._second_lines()))

    def _check_width(self) -> None:
        if len(self.header) != len(self.choices.meanings):
            raise Refused(
                "another header than the one the choices were made for",
                line=self.choices.header_line,
                value=len(self.header),
                accepted=f"{len(self.choices.meanings)} columns",
            )

    def _add(self, line: int, column: int | None, message: str, value: str, accepted: str) -> None:
        # A header may hold characters that would break the list of lines it is shown in.
        name = None if column is None else "".join(c if c.isprintable() else "·" for c in self.header[column])
        self.found.append(Refused(message, line=line, column=name, value=value, accepted=accepted))
        if len(self.found) >= MOST_FOUND:
            raise AllRefused(self.found, more=True)

    def _batch(self, lines: list[int], rows: list[list[str]]) -> Batch:
        """Return the readings of some rows and collect what is wrong with the others."""
        good = self._narrow(lines, rows)
        columns = list(zip_longest(*rows, fillvalue=""))
        width = len(self.choices.meanings)
        columns += [("",) * len(rows)] * (width - len(columns))
        good &= self._measured(lines, columns)
        temp_c, rh = (self._read(columns, meanings) for meanings in (say.TEMPERATURES, say.HUMIDITIES))
        for meanings, values in ((say.TEMPERATURES, temp_c), (say.HUMIDITIES, rh)):
            self._report(lines, columns, meanings, good & np.isnan(values))
        good &= ~np.isnan(temp_c) & ~np.isnan(rh)
        time = self._times(lines, columns, good)
        room = self._rooms(lines, columns, good)
        return self._placed(Batch(np.array(lines, np.int64), room, time, temp_c, rh).picked(good))

    def _narrow(self, lines: list[int], rows: list[list[str]]) -> NDArray[np.bool_]:
        """Return which rows are no wider than the header; empty cells at the end do not count."""
        width = len(self.choices.meanings)
        good = np.ones(len(rows), bool)
        for row, cells in enumerate(rows):
            if len(cells) > width and any(cell.strip() for cell in cells[width:]):
                accepted = f"at most {width} cells separated by {self.choices.delimiter!r}"
                said = f"{len(cells)} cells where the header has {width}"
                self._add(lines[row], None, said, self.choices.delimiter.join(cells), accepted)
                good[row] = False
        return good

    def _measured(self, lines: list[int], columns: Sequence[Sequence[str]]) -> NDArray[np.bool_]:
        """Return which rows have values at all; rows without any are left out, and counted."""
        temp, rh = (self._cells(columns, meanings) for meanings in (say.TEMPERATURES, say.HUMIDITIES))
        good = np.ones(len(lines), bool)
        for row, (degrees, damp) in enumerate(zip(temp, rh, strict=True)):
            if degrees and damp and degrees[-1].isdigit() and damp[-1].isdigit():
                continue  # by far the most rows
            missing = [cell.strip().lower() in NOTHING for cell in (degrees, damp)]
            if all(missing) or (self.choices.leave_out and any(missing)):
                good[row] = False
                self.left_out += 1
        return good

    def _cells(self, columns: Sequence[Sequence[str]], meanings: Sequence[str]) -> Sequence[str]:
        place = self.choices.column(*meanings)
        assert place is not None
        return columns[place]

    def _read(self, columns: Sequence[Sequence[str]], meanings: Sequence[str]) -> Floats:
        place = self.choices.column(*meanings)
        assert place is not None
        texts = columns[place]
        return np.fromiter(map(self._values[place].__getitem__, texts), np.float64, len(texts))

    def _report(
        self,
        lines: list[int],
        columns: Sequence[Sequence[str]],
        meanings: Sequence[str],
        bad: NDArray[np.bool_],
    ) -> None:
        place = self.choices.column(*meanings)
        assert place is not None
        for row in np.flatnonzero(bad).tolist():
            value = columns[place][row]
            message = "an impossible reading" if value.strip() else "an empty cell"
            self._add(lines[row], place, message, value, self._values[place].accepted)

    def _times(self, lines: list[int], columns: Sequence[Sequence[str]], good: NDArray[np.bool_]) -> Micros:
        """Return the times [µs], by the wall or in UTC; rows whose time is none are no longer good."""
        whole, day, clock = (self.choices.column(one) for one in (say.STAMP, say.DATE, say.CLOCK))
        out = np.zeros(len(lines), np.int64)
        place = whole if whole is not None else day
        assert place is not None
        for row in np.flatnonzero(good).tolist():
            if whole is not None:
                text = columns[whole][row]
                read = self._stamps.read(text)
            else:
                assert day is not None
                assert clock is not None
                text = f"{columns[day][row]} {columns[clock][row]}"
                read = self._stamps.read_two(columns[day][row], columns[clock][row])
            trouble, accepted = self._trouble(read)
            if trouble:
                self._add(lines[row], place, trouble, text, accepted)
                good[row] = False
            else:
                out[row] = self._on_the_clock(*read)  # type: ignore[misc]
        return out

    def _trouble(self, read: tuple[int, int | None] | None) -> tuple[str, str]:
        """Return what is wrong with a time and what is accepted, both empty where nothing is."""
        spelt = {"ymd": "year, month, day", "dmy": "day, month, year", "mdy": "month, day, year"}
        if read is None:
            order = spelt.get(self.choices.order, "seconds from 1970")
            return "not a date with a time", f"{order}, and a time of day"
        if (read[1] is None) == (self.choices.clock == say.WRITTEN_CLOCK):
            if read[1] is None:
                return "a time without its offset", "an offset in every row, or the clock it was read from"
            return "a time with an offset", "the same kind of time in every row: choose its own offset"
        return "", ""

    def _on_the_clock(self, us: int, offset: int | None) -> int:
        if offset is None and self.choices.clock in say.OFFSETS:
            hours, minutes = self.choices.clock[1:].split(":")
            away = int(hours) * 60 * MINUTE + int(minutes) * MINUTE
            return us - (away if self.choices.clock[0] == "+" else -away)
        return us

    def _rooms(self, lines: list[int], columns: Sequence[Sequence[str]], good: NDArray[np.bool_]) -> Ints:
        """Return the places of the rooms; zero where the file has no column of them."""
        place = self.choices.column(say.ROOM)
        out = np.zeros(len(lines), np.int64)
        if place is None:
            return out
        for row in np.flatnonzero(good).tolist():
            text = columns[place][row]
            known = self.rooms.get(text.strip(), self.rooms.get(text.strip().casefold()))
            if known is None:
                some = ", ".join(self.names[:3])
                self._add(lines[row], place, "an unknown room", text, f"a room of the site, such as {some}")
                good[row] = False
            else:
                out[row] = known
        return out

    def _placed(self, batch: Batch) -> Batch:
        """Leave out and collect what the site's clock never shows and what is still to come."""
        if not len(batch.line):
            return batch
        good = np.ones(len(batch.line), bool)
        rough = batch.time
        if self.choices.clock == say.SITE_CLOCK:
            clock = self._clock(batch.time)
            self._note_repeated(batch, clock)
            rough = clock.to_utc(batch.time)
            self._refuse_times(batch, clock.skipped(batch.time), "a time that the clocks skip", good)
        self._refuse_times(batch, rough > self.latest, "a time still to come", good)
        return batch.picked(good)

    def _refuse_times(
        self, batch: Batch, bad: NDArray[np.bool_], message: str, good: NDArray[np.bool_]
    ) -> None:
        place = self.choices.column(say.STAMP, say.DATE)
        accepted = {
            "a time still to come": f"a time up to {instant_of(self.latest).date()}; is the order of day and"
            " month right?",
        }.get(message, "a time that the site's clock shows, or another clock chosen")
        for row in np.flatnonzero(bad):
            said = instant_of(int(batch.time[row])).replace(tzinfo=None).isoformat(sep=" ")
            self._add(int(batch.line[row]), place, message, said, accepted)
            good[row] = False

    def _clock(self, local: Micros) -> LocalClock:
        return LocalClock(self.zone, instant_of(int(local.min())).date(), instant_of(int(local.max())).date())

    def _note_repeated(self, batch: Batch, clock: LocalClock) -> None:
        """Keep the few rows in repeated hours, and each room's first and last row, for the end."""
        repeated = clock.repeated(batch.time)
        for room in np.unique(batch.room).tolist():
            rows = np.flatnonzero(batch.room == room)
            known = self._repeated.setdefault(room, Repeated(int(batch.time[rows[0]]), 0))
            known.last = int(batch.time[rows[-1]])
            mine = rows[repeated[rows]]
            known.lines += batch.line[mine].tolist()
            known.times += batch.time[mine].tolist()

    def _second_lines(self) -> Ints:
        """Return the lines that lie in the second passage of a repeated hour, by the order of the rows."""
        found = [np.zeros(0, np.int64)]
        for known in self._repeated.values():
            if known.lines:
                # With the room's first and last row around them, which say in which direction the file runs.
                local = np.array([known.first, *known.times, known.last], np.int64)
                lines = np.array([-1, *known.lines, -1], np.int64)
                second = self._clock(local).second_readings(np.zeros(len(local), np.int64), local)
                found.append(lines[second & (lines >= 0)])
        return np.concatenate(found)
