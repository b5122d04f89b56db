"""Writing an invented fleet as the folder that anybody would import."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from datetime import date, datetime
from pathlib import Path

from fleet.demo.bookings import calendar_file
from fleet.demo.fleet import InventedFleet, invent
from fleet.demo.papers import Cell, tables
from fleet.demo.readings import RoomReadings, instants, readings
from fleet.demo.spec import DEMO, FleetSpec
from fleet.demo.truth import Truth

Progress = Callable[[str], None]


def silent(line: str) -> None:
    """Say nothing."""


def write_demo_folder(folder: Path, today: date, progress: Progress = silent) -> Truth:
    """Write the invented conservatory as it is on a day and return the truth behind it."""
    return write_fleet(folder, DEMO, today, progress)


def write_fleet(folder: Path, spec: FleetSpec, today: date, progress: Progress = silent) -> Truth:
    """Write a fleet of any size as a folder.

    Parameters
    ----------
    folder : Path
        Made if it does not exist; files of the same name are replaced.
    spec : FleetSpec
        Size, seed and climate.
    today : date
        The day it is made for.
    progress : callable
        Told in words what is being done.

    Returns
    -------
    Truth
        What the papers do not say: sensitivities, and true deviations for any sequence of visits.
    """
    progress(f"inventing {spec.n_instruments} instruments in {spec.n_rooms} rooms")
    fleet = invent(spec, today)
    folder.mkdir(parents=True, exist_ok=True)
    for name, (columns, rows) in tables(fleet).items():
        write_table(folder / name, columns, rows)
    (folder / "bookings.ics").write_bytes(calendar_file(fleet))
    written = write_readings(folder, fleet)
    progress(f"written: {len(fleet.records):,} records and {written:,} readings")
    return fleet.truth


def write_table(path: Path, columns: Iterable[str], rows: Iterable[tuple[Cell, ...]]) -> None:
    """Write one table as CSV."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([cell_text(cell) for cell in row] for row in rows)


def cell_text(cell: Cell) -> str:
    """Return a cell as text: nothing for what is not known, ISO 8601 for dates and times."""
    if cell is None:
        return ""
    if isinstance(cell, datetime | date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def write_readings(folder: Path, fleet: InventedFleet) -> int:
    """Write the readings, a file for each building, and return how many there are."""
    times = [instant.strftime("%Y-%m-%dT%H:%MZ") for instant in instants(fleet)]
    files = {}
    count = 0
    try:
        for room in readings(fleet):
            building = room.room.building
            if building not in files:
                path = folder / f"readings_{building.lower().replace(' ', '_')}.csv"
                files[building] = path.open("w", encoding="utf-8", newline="")
                files[building].write("room,time,temperature_c,relative_humidity_percent\n")
            files[building].write(reading_lines(room, times))
            count += room.positions.size
    finally:
        for file in files.values():
            file.close()
    return count


def reading_lines(room: RoomReadings, times: list[str]) -> str:
    """Return the lines of one room."""
    name = room.room.name
    columns = (room.positions.tolist(), room.tenths_c.tolist(), room.tenths_percent.tolist())
    # A table of all texts there can be: formatting each number anew would take most of the time.
    decimal = {tenths: str(tenths / 10) for tenths in {*columns[1], *columns[2]}}
    return "".join(
        f"{name},{times[position]},{decimal[degrees]},{decimal[percent]}\n"
        for position, degrees, percent in zip(*columns, strict=True)
    )
