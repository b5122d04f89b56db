"""Files of readings: a million rows are read a column at a time, every different cell once."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from datetime import tzinfo
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fleet.imports.cells import Cell, Instant, Number, Percent, Text
from fleet.imports.csvfile import CsvFile
from fleet.imports.findings import Findings
from fleet.imports.rows import Progress, skipped_hour
from fleet.local_time import EPOCH, LocalClock, Micros, instant_of, micros
from fleet.models.air import COLDEST_C, HOTTEST_C
from fleet.quality import Floats
from fleet.refusal import Refused

TELL_EVERY = 100_000  # lines
FAHRENHEIT_ZERO, FAHRENHEIT_STEP = 32.0, 1.8  # exact by definition of the scale

HUMIDITY = "relative_humidity_percent"
CELLS: dict[str, Cell] = {
    "room": Text(120),
    "time": Instant(),
    HUMIDITY: Percent(0, 100),
    "temperature_c": Number(COLDEST_C, HOTTEST_C),
    "temperature_f": Number(
        COLDEST_C * FAHRENHEIT_STEP + FAHRENHEIT_ZERO, HOTTEST_C * FAHRENHEIT_STEP + FAHRENHEIT_ZERO
    ),
    "source": Text(40),
}
TEMPERATURES = ("temperature_c", "temperature_f")
# What stands in for a refused cell until the file is refused.
BAD: dict[str, Any] = dict.fromkeys(CELLS, 0.0) | {"room": "", "source": "", "time": EPOCH}


@dataclass(frozen=True)
class Readings:
    """Readings of several rooms; all arrays of shape (n,)."""

    rooms: list[str]
    room: NDArray[np.int64]  # index into rooms
    times: Micros  # instants [µs]
    temp_c: Floats
    rh: Floats  # [fraction]
    source: NDArray[Any]  # texts
    file: NDArray[np.int64]  # index into files
    line: NDArray[np.int64]
    files: list[str]
    repeated: NDArray[np.int64]  # by file: rows that say again what an earlier row said, left out above

    def of_file(self, place: int) -> Readings:
        """Return the readings of one file."""
        return self.where(self.file == place)

    def where(self, rows: NDArray[np.bool_]) -> Readings:
        """Return some of the readings."""
        arrays = ("room", "times", "temp_c", "rh", "source", "file", "line")
        return replace(self, **{name: getattr(self, name)[rows] for name in arrays})


class Distinct(dict[str, int]):
    """The different texts of a column, each read once: text to code, and values by code."""

    def __init__(self, read: Callable[[str], Any], bad: Any) -> None:
        super().__init__()
        self._read, self._bad = read, bad
        self.parsed: list[Any] = []
        self.refused: dict[int, str] = {}

    def __missing__(self, text: str) -> int:
        code = len(self.parsed)
        try:
            self.parsed.append(self._read(text))
        except ValueError as error:
            self.parsed.append(self._bad)
            self.refused[code] = str(error)
        self[text] = code
        return code


class ReadingsFile:
    """One file of readings as arrays.

    Parameters
    ----------
    path : the file
    rooms : the rooms that are known
    zone : the zone in which a time without offset is read
    findings : where refused rows are collected
    progress : called with a line now and then
    """

    def __init__(
        self, path: Path, rooms: Collection[str], zone: tzinfo, findings: Findings, progress: Progress
    ) -> None:
        self.name = path.name
        self._findings = findings
        self._zone = zone
        file = CsvFile(path, list(CELLS), ["room", "time", HUMIDITY], findings)
        self._check_temperature(file.header)
        self._columns = {name: Distinct(_reader(name, rooms), BAD[name]) for name in file.header}
        lines: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]
        codes: dict[str, list[NDArray[np.int32]]] = {name: [np.zeros(0, np.int32)] for name in file.header}
        count = 0
        for some_lines, rows in file.chunks():
            lines.append(np.array(some_lines, np.int64))
            # An empty part has no columns to go through.
            for name, texts in zip(file.header, zip(*rows, strict=True), strict=bool(rows)):
                found = map(self._columns[name].__getitem__, texts)
                codes[name].append(np.fromiter(found, np.int32, len(rows)))
            told, count = count // TELL_EVERY, count + len(rows)
            if count // TELL_EVERY > told:
                progress(f"{self.name}: {count:,} lines read")
        if not count or count % TELL_EVERY:
            progress(f"{self.name}: {count:,} lines read")
        self.line = np.concatenate(lines)
        self._codes = {name: np.concatenate(parts) for name, parts in codes.items()}
        self._report()
        self.times = self._instants()

    def column(self, name: str) -> NDArray[Any]:
        """Return the values of a column, shape (n,)."""
        column = self._columns[name]
        values = np.array(column.parsed, np.float64 if name not in {"room", "source"} else object)
        return values[self._codes[name]] if len(values) else values

    def rooms(self, places: dict[str, int]) -> NDArray[np.int64]:
        """Return the place of each reading's room in a list, shape (n,)."""
        names = np.array([places[name] for name in self._columns["room"].parsed], np.int64)
        return names[self._codes["room"]] if len(names) else names

    def temp_c(self) -> Floats:
        """Return the temperature [°C], shape (n,)."""
        if "temperature_c" in self._columns:
            return self.column("temperature_c")
        celsius = (self.column("temperature_f") - FAHRENHEIT_ZERO) / FAHRENHEIT_STEP
        return np.asarray(np.clip(celsius, COLDEST_C, HOTTEST_C))

    def source(self) -> NDArray[Any]:
        """Return where each reading comes from, empty where the file does not say."""
        return self.column("source") if "source" in self._columns else np.full(len(self.line), "", object)

    def _check_temperature(self, header: list[str]) -> None:
        """Refuse none or both of the temperature columns."""
        given = [name for name in TEMPERATURES if name in header]
        if len(given) != 1:
            raise Refused(
                "both temperature columns" if given else "a temperature column is missing",
                file=self.name,
                line=1,
                column=" and ".join(given) or "temperature_c",
                value=",".join(header),
                accepted="exactly one of temperature_c and temperature_f",
            )

    def _report(self) -> None:
        """Add every row with a refused cell to the findings, in the order of the rows."""
        bad = np.zeros(len(self.line), bool)
        for name, column in self._columns.items():
            if column.refused:
                bad |= np.isin(self._codes[name], list(column.refused))
        for row in np.flatnonzero(bad):
            for name, column in self._columns.items():
                code = int(self._codes[name][row])
                if code in column.refused:
                    self._findings.add(self._refused(row, name, column, code))

    def _refused(self, row: np.int64, name: str, column: Distinct, code: int) -> Refused:
        """Say what is wrong with a cell."""
        value = next(text for text, known in column.items() if known == code)
        said = {"room": "an unknown room"}.get(name, "an impossible reading")
        return Refused(
            said if value.strip() else "an empty cell",
            file=self.name,
            line=int(self.line[row]),
            column=name,
            value=value,
            accepted=column.refused[code],
        )

    def _instants(self) -> Micros:
        """Return the instants [µs]; local times are placed by the site's clock."""
        times = self._columns["time"].parsed
        if not times:
            return np.zeros(0, np.int64)
        code = self._codes["time"]
        told = np.array([micros(time) for time in times], np.int64)[code]
        is_local = np.array([time.tzinfo is None for time in times])[code]
        if not is_local.any():
            return told
        dates = [time.date() for time in times if time.tzinfo is None]
        clock = LocalClock(self._zone, min(dates), max(dates))
        local = told[is_local]
        lines = self.line[is_local]
        for row in np.flatnonzero(clock.skipped(local)):
            said = instant_of(local[row]).replace(tzinfo=None).isoformat()
            self._findings.add(skipped_hour(self.name, int(lines[row]), "time", said))
        rooms = self._codes["room"][is_local].astype(np.int64)
        told[is_local] = clock.to_utc(local, clock.second_readings(rooms, local))
        return told


def read_readings(
    paths: list[Path], rooms: Collection[str], zone: tzinfo, findings: Findings, progress: Progress
) -> Readings:
    """Return the readings of several files as one; what is wrong goes to the findings.

    Raises
    ------
    Refused
        Where a file as a whole cannot be read.
    """
    files = [ReadingsFile(path, rooms, zone, findings, progress) for path in paths]
    findings.check()
    names = sorted(rooms)
    places = {name: place for place, name in enumerate(names)}
    readings = Readings(
        rooms=names,
        room=np.concatenate([file.rooms(places) for file in files]),
        times=np.concatenate([file.times for file in files]),
        temp_c=np.concatenate([file.temp_c() for file in files]),
        rh=np.concatenate([file.column(HUMIDITY) for file in files]),
        source=np.concatenate([file.source() for file in files]),
        file=np.repeat(np.arange(len(files)), [len(file.line) for file in files]),
        line=np.concatenate([file.line for file in files]),
        files=[path.name for path in paths],
        repeated=np.zeros(len(files), np.int64),
    )
    again = _said_again(readings, findings)
    readings = replace(
        readings.where(~again), repeated=np.bincount(readings.file[again], minlength=len(files))
    )
    if len(readings.rh) and readings.rh.max() <= 0.01:
        progress("no humidity is above 1 percent: fractions where percentages are expected?")
    return readings


def _said_again(readings: Readings, findings: Findings) -> NDArray[np.bool_]:
    """Return which readings repeat an earlier one, shape (n,); refuses two that differ."""
    order = np.lexsort((np.arange(len(readings.times)), readings.times, readings.room))
    here, there = order[1:], order[:-1]
    same = (readings.room[here] == readings.room[there]) & (readings.times[here] == readings.times[there])
    differ = (readings.rh[here] != readings.rh[there]) | (readings.temp_c[here] != readings.temp_c[there])
    for row, first in zip(here[same & differ], there[same & differ], strict=True):
        other = f"{readings.files[readings.file[first]]} line {readings.line[first]}"
        findings.add(
            Refused(
                f"another reading of this room and instant stands in {other}",
                file=readings.files[readings.file[row]],
                line=int(readings.line[row]),
                column="time",
                value=f"{readings.rooms[readings.room[row]]} {instant_of(readings.times[row]).isoformat()}",
                accepted="one reading a room and instant",
            )
        )
    again = np.zeros(len(readings.times), bool)
    again[here[same]] = True
    return again


def _reader(name: str, rooms: Collection[str]) -> Callable[[str], Any]:
    """Return what reads the cells of a column; only the source may be left empty."""

    def known_room(text: str) -> str:
        if text not in rooms:
            raise ValueError("a room of rooms.csv")
        return text

    def filled(text: str) -> Any:
        if not text.strip():
            raise ValueError("a value in every row")
        return CELLS[name].read(text)

    return {"room": known_room, "source": CELLS["source"].read}.get(name, filled)
