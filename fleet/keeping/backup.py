"""Writing a backup of a running installation: its tables at one instant, and the files of uploads."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.recorder import MigrationRecorder

from fleet.keeping.archive import Manifest, Writing
from fleet.keeping.tables import one_instant, tables_of
from fleet.refusal import Refused

UPLOADS = "uploads/"
Progress = Callable[[str], None]


def silent(line: str) -> None:
    """Say nothing."""


def write_backup(
    target: Path, database: BaseDatabaseWrapper, uploads: Path, now: datetime, progress: Progress = silent
) -> Manifest:
    """Write everything into one file and return what is in it.

    The tables are those of one instant; files are read after them, so that none a row speaks of is missed.

    Raises
    ------
    Refused
        Where there is such a file already, or it cannot be written; nothing is left behind then.
    """
    if target.exists():
        raise Refused("there is such a file already", file=str(target), accepted="another name")
    try:
        writing = Writing(target)
    except OSError as error:
        raise Refused(f"cannot be written ({error.strerror})", file=str(target)) from error
    try:
        manifest = _write(writing, database, uploads, now, progress)
        writing.finish(manifest)
    except OSError as error:
        writing.give_up()
        raise Refused(f"could not be written whole ({error.strerror})", file=str(target)) from error
    except BaseException:
        writing.give_up()
        raise
    return manifest


def _write(
    writing: Writing, database: BaseDatabaseWrapper, uploads: Path, now: datetime, progress: Progress
) -> Manifest:
    with one_instant(database) as instant:
        manifest = Manifest(now.isoformat(), database.vendor, applied(database))
        for table in tables_of():
            told = writing.add_table(table.name, instant.lines(table))
            manifest.tables[table.name] = told | {
                "columns": list(table.columns),
                "last": instant.last_number(table),
            }
            if told["rows"] >= 10_000:
                progress(f"{table.name}: {told['rows']:,} rows")
    for file in sorted(uploads.iterdir()) if uploads.is_dir() else ():
        try:
            with file.open("rb") as source:
                manifest.files[UPLOADS + file.name] = writing.add_file(UPLOADS + file.name, source)
        except (FileNotFoundError, IsADirectoryError):
            continue  # stored or given up meanwhile
    return manifest


def applied(database: BaseDatabaseWrapper) -> dict[str, list[str]]:
    """Return the migrations a database has had, by app."""
    found: dict[str, list[str]] = {}
    for app, name in sorted(MigrationRecorder(database).applied_migrations()):
        found.setdefault(app, []).append(name)
    return found
