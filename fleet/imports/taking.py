"""Importing a folder into one site: all or nothing, safe to repeat, never deleting."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from django.db import DatabaseError, transaction

from fleet import intake
from fleet.acting import Way, acting
from fleet.imports import calendar, merge, service_kinds, tables
from fleet.imports.bookings import compare_bookings, store_bookings
from fleet.imports.calendar import KEY
from fleet.imports.corrections import note_corrections
from fleet.imports.folder import Folder, read_folder, stored_service_kinds
from fleet.imports.merge import Difference
from fleet.imports.readings import Readings
from fleet.imports.rows import Progress, key_text
from fleet.imports.tables import Table
from fleet.intake import ReadingCounts
from fleet.local_time import instant_of
from fleet.models import Room, Site
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed
from fleet.sites import create_site


@dataclass
class Counts:
    """How many rows of a file are new, changed and the same."""

    new: int = 0
    changed: int = 0
    same: int = 0


@dataclass
class Taken:
    """What an import did, or would do."""

    site: str
    dry_run: bool
    files: dict[str, Counts] = field(default_factory=dict)
    changes: dict[str, list[dict[str, Any]]] = field(default_factory=dict)  # the first of each file
    doubtful_readings: int = 0
    cancelled_events: int = 0
    left_alone: list[str] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        """Return the same as plain data."""
        return asdict(self)

    def note(self, file: str, counts: Counts, changes: list[dict[str, Any]]) -> None:
        """Keep the counts of a file and its first changes."""
        self.files[file] = counts
        if changes:
            self.changes[file] = changes


def import_folder(
    path: Path,
    *,
    now: datetime,
    today: date | None = None,
    site_name: str | None = None,
    dry_run: bool = False,
    progress: Progress = lambda line: None,
) -> Taken:
    """Read a folder into the site it names and return what was new, changed and the same.

    Parameters
    ----------
    path : the folder
    now : the clock; nothing is done after it
    today : the site's date to take instead of the clock's
    site_name : the site that is expected; any where None
    dry_run : only compare
    progress : called with a line now and then

    Raises
    ------
    Refused
        With every reason found up to a bound; nothing is stored then.
    """
    folder = read_folder(path, now, today, site_name, progress)
    taken = Taken(folder.site_record["name"], dry_run, left_alone=folder.left_alone)
    taken.cancelled_events = folder.calendar.cancelled if folder.calendar else 0
    if dry_run:
        _compare(folder, taken)
        return taken
    progress("storing")
    try:
        with acting(Way.IMPORT), transaction.atomic():
            _store(folder, taken, progress, now)
    except DatabaseError as error:
        raise Refused(f"the database does not take it ({error})") from error
    return taken


def _compare(folder: Folder, taken: Taken) -> None:
    """Count what storing the folder would do."""
    for table in tables.TABLES:
        if table.file in folder.rows:
            _note(taken, table, _difference(folder, table, folder.site))
    if folder.calendar:
        _note_bookings(taken, compare_bookings(folder.calendar.rows, folder.site))
    site = folder.site

    def count(part: Readings) -> ReadingCounts:
        known = dict(Room.objects.of_site(site).values_list("name", "pk")) if site else {}
        rooms = np.array([known.get(name, -1) for name in part.rooms], np.int64)[part.room]
        stored = part.where(rooms >= 0)
        counts = ReadingCounts()
        if site is not None:
            counts = intake.compare_readings(site, rooms[rooms >= 0], stored.times, stored.temp_c, stored.rh)
        counts.new += int(np.sum(rooms < 0))
        return counts

    _each_readings_file(folder, taken, count)


def _store(folder: Folder, taken: Taken, progress: Progress, now: datetime) -> None:
    """Store the folder within the caller's transaction."""
    site, moved = _store_site(folder, taken)
    for table in (tables.SERVICE_KINDS, *tables.PLAIN_TABLES):
        if table.file not in folder.rows:
            continue
        difference = _difference(folder, table, site)
        keep = service_kinds.store if table is tables.SERVICE_KINDS else _keep(table)
        keep(difference, site)
        _note(taken, table, difference)
        if table is tables.SERVICES:
            note_corrections(difference, now)
        if table is tables.SENSORS:
            moved |= _rooms_of_sensors(difference)
    if folder.calendar:
        bookings = compare_bookings(folder.calendar.rows, site)
        store_bookings(bookings, site)
        _note_bookings(taken, bookings)
    for room in Room.objects.of_site(site).filter(name__in=moved).select_related("site"):
        intake.rebuild_days(room)

    def keep_readings(part: Readings) -> ReadingCounts:
        ids = merge.ids_of("room", site)
        rooms = np.array([ids[name] for name in part.rooms], np.int64)[part.room]
        return intake.store_readings(site, rooms, part.times, part.temp_c, part.rh, part.source, progress)

    _each_readings_file(folder, taken, keep_readings)
    if any(counts.new or counts.changed for counts in taken.files.values()):
        tell_facts_changed(site.pk, now=now)


def _store_site(folder: Folder, taken: Taken) -> tuple[Site, set[str]]:
    """Make or change the site; return it and the rooms whose days have to be rebuilt for it."""
    if folder.site is None:
        taken.note(tables.SITE.file, Counts(new=1), [])
        return create_site(**folder.site_record), set()
    difference = _difference(folder, tables.SITE, folder.site)
    merge.store(tables.SITE, difference, folder.site)
    _note(taken, tables.SITE, difference)
    site = Site.objects.get(pk=folder.site.pk)
    # In another zone the days begin at other instants.
    moved = site.time_zone != folder.site.time_zone
    rooms = Room.objects.of_site(site).values_list("name", flat=True)
    return site, set(rooms) if moved else set()


def _keep(table: Table) -> Callable[[Difference, Site], None]:
    return lambda difference, site: merge.store(table, difference, site)


def _difference(folder: Folder, table: Table, site: Site | None) -> Difference:
    """Return how a file's rows differ from what the site has."""
    stored = (
        stored_service_kinds(site) if table is tables.SERVICE_KINDS else merge.stored_records(table, site)
    )
    return merge.compare(table, folder.rows[table.file], stored)


def _rooms_of_sensors(difference: Difference) -> set[str]:
    """Return the rooms whose humidity is read differently after a change of sensors."""
    after = {row.record["room"] for row in difference.new}
    after |= {change.row.record["room"] for change in difference.changed}
    return after | {change.before["room"] for change in difference.changed}


def _note(taken: Taken, table: Table, difference: Difference) -> None:
    counts = Counts(len(difference.new), len(difference.changed), difference.same)
    taken.note(table.file, counts, merge.examples(table, difference))


def _note_bookings(taken: Taken, difference: Difference) -> None:
    counts = Counts(len(difference.new), len(difference.changed), difference.same)
    changes = [
        {
            "key": key_text(tuple(change.row.record[name] for name in KEY)),
            "columns": {
                name: [str(change.before[name]), str(change.row.record[name])] for name in change.columns
            },
        }
        for change in difference.changed[: merge.EXAMPLES]
    ]
    taken.note(calendar.FILE, counts, changes)


def _each_readings_file(folder: Folder, taken: Taken, take: Callable[[Readings], ReadingCounts]) -> None:
    """Take the readings file by file, so that the counts are told by file."""
    readings = folder.readings
    assert readings is not None
    names = dict(Room.objects.filter(site__name=taken.site).values_list("pk", "name"))
    for place, file in enumerate(readings.files):
        counts = take(readings.of_file(place))
        taken.doubtful_readings += counts.doubtful
        same = counts.same + int(readings.repeated[place])
        changes = [
            {"key": f"{names[room]}, {instant_of(us).isoformat()}", "columns": {}}
            for room, us in counts.examples
        ]
        taken.note(file, Counts(counts.new, counts.changed, same), changes)
