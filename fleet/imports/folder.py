"""A whole folder read and checked in memory, before anything is stored."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fleet.imports import calendar, service_kinds, tables
from fleet.imports.calendar import Calendar, CalendarReader
from fleet.imports.checks import Known, Rows, check_rows
from fleet.imports.findings import Findings
from fleet.imports.merge import stored_records
from fleet.imports.readings import Readings, read_readings
from fleet.imports.rows import Progress, read_table
from fleet.imports.tables import Record
from fleet.models import Site
from fleet.refusal import Refused

READINGS = "readings*.csv"
KNOWN_FILES = {table.file for table in tables.TABLES} | {calendar.FILE}


@dataclass
class Folder:
    """What a folder says, checked; ``site`` is None where the site is new."""

    site: Site | None
    site_record: Record
    today: date
    rows: Rows = field(default_factory=dict)
    calendar: Calendar | None = None
    readings: Readings | None = None
    left_alone: list[str] = field(default_factory=list)


def read_folder(
    path: Path, now: datetime, today: date | None, site_name: str | None, progress: Progress
) -> Folder:
    """Return what a folder says, checked against itself and against the site it names.

    Parameters
    ----------
    path : the folder
    now : the clock, from which the site's date is taken
    today : the date to take instead
    site_name : the site that is expected, any where None
    progress : called with a line now and then

    Raises
    ------
    Refused
        With every reason found, up to a bound.
    """
    findings = Findings()
    _check_files(path, findings)
    folder = _read_site(path, now, today, site_name, findings)
    zone = ZoneInfo(folder.site_record["time_zone"])
    for table in (tables.SERVICE_KINDS, *tables.PLAIN_TABLES):
        file = path / table.file
        if file.exists():
            with findings.collect():
                folder.rows[table.file] = read_table(file, table, findings, zone)
    findings.check()
    known = Known.of(folder.site, folder.rows)
    check_rows(folder.rows, known, folder.today, findings)
    _complete_service_kinds(folder, findings)
    findings.check()
    if (path / calendar.FILE).exists():
        reader = CalendarReader(known.rooms, known.instruments, zone, folder.today)
        with findings.collect():
            folder.calendar = reader.read(path / calendar.FILE, findings)
    with findings.collect():
        folder.readings = read_readings(readings_files(path), known.rooms, zone, findings, progress)
    findings.check()
    known_names = KNOWN_FILES | {file.name for file in readings_files(path)}
    folder.left_alone = sorted(
        file.name
        for file in path.iterdir()
        if file.name not in known_names and file.suffix in {".csv", ".ics"} and not file.name.startswith(".")
    )
    return folder


def readings_files(path: Path) -> list[Path]:
    """Return the files of readings in a folder."""
    return sorted(path.glob(READINGS))


def _check_files(path: Path, findings: Findings) -> None:
    """Refuse a folder without the files that must be there."""
    for table in tables.TABLES:
        if table.required and not (path / table.file).exists():
            findings.add(_missing(table.file, ", ".join(column.name for column in table.columns)))
    if not readings_files(path):
        findings.add(_missing("readings.csv", "room, time, relative_humidity_percent, temperature_c"))
    findings.check()


def _missing(file: str, columns: str) -> Refused:
    return Refused("the file is missing", file=file, accepted=f"a file with the columns {columns}")


def _read_site(
    path: Path, now: datetime, today: date | None, site_name: str | None, findings: Findings
) -> Folder:
    """Return the folder with the site it names."""
    rows = read_table(path / tables.SITE.file, tables.SITE, findings)
    findings.check()
    if len(rows) != 1:
        raise Refused(f"{len(rows)} sites", file=tables.SITE.file, line=2, accepted="one row for one site")
    record = rows[0].record
    if site_name is not None and site_name != record["name"]:
        raise Refused(
            "not the site that --site names",
            file=tables.SITE.file,
            line=rows[0].line,
            column="name",
            value=record["name"],
            accepted=site_name,
        )
    local_today = today or now.astimezone(ZoneInfo(record["time_zone"])).date()
    return Folder(
        site=Site.objects.filter(name=record["name"]).first(),
        site_record=record,
        today=local_today,
        rows={tables.SITE.file: rows},
    )


def _complete_service_kinds(folder: Folder, findings: Findings) -> None:
    """Fill what the rows of the service kinds leave open."""
    file = tables.SERVICE_KINDS.file
    if file in folder.rows:
        folder.rows[file] = service_kinds.complete(
            folder.rows[file], stored_service_kinds(folder.site), findings
        )


def stored_service_kinds(site: Site | None) -> service_kinds.Stored:
    """Return the rules of a site, or those with which a new one starts."""
    return stored_records(tables.SERVICE_KINDS, site) if site else service_kinds.default_records()
