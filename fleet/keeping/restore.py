"""Bringing a backup back: looked at first, stored in one transaction, and compared before that is kept."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from django.db import DatabaseError
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor

from fleet.keeping.archive import Kept, Manifest
from fleet.keeping.backup import UPLOADS, Progress, applied, silent
from fleet.keeping.tables import (
    KeptTable,
    OneInstant,
    digest_of,
    empty,
    go_on_from,
    own_connection,
    put,
    tables_of,
)
from fleet.refusal import Refused

# What a database has as soon as it is made, and whose rows are nobody's work.
MADE_BY_ITSELF = {"django_content_type", "auth_permission", "scheduling_heartbeat", "django_migrations"}


def restore(
    path: Path,
    database: BaseDatabaseWrapper,
    uploads: Path,
    replace: bool = False,
    progress: Progress = silent,
) -> Manifest:
    """Make a database what it was when the backup was written, and return what came back.

    Raises
    ------
    Refused
        Where the file is damaged or of a newer program, or the database is not empty and is not to be
        replaced; nothing is changed then.
    """
    progress("looking the file through")
    kept = Kept(path)
    executor = MigrationExecutor(database)
    _check_age(kept, executor)
    _check_room(kept, database, replace)
    if not applied(database):
        progress("making the tables")
        executor.migrate(_leaves(executor, kept.manifest))
    folder = _unpack_uploads(kept, uploads)
    try:
        _put_all(kept, database, executor, progress)
        for file in folder.iterdir():
            os.replace(file, uploads / file.name)
    except (OSError, DatabaseError) as error:
        raise Refused(f"could not be stored, and nothing was changed ({error})", file=path.name) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return kept.manifest


def _check_age(kept: Kept, executor: MigrationExecutor) -> None:
    known = executor.loader.disk_migrations
    for app, names in kept.manifest.migrations.items():
        for name in names:
            if (app, name) not in known and not _replaced(executor, app, name):
                raise Refused(
                    "this backup was written by a newer version of the program",
                    file=kept.path.name,
                    value=f"{app} {name}",
                    accepted="the same version or an older one",
                )


def _replaced(executor: MigrationExecutor, app: str, name: str) -> bool:
    return any((app, name) in one.replaces for one in executor.loader.disk_migrations.values())


def _check_room(kept: Kept, database: BaseDatabaseWrapper, replace: bool) -> None:
    """Refuse a database with rows of its own, or one whose tables have another form."""
    has = applied(database)
    if has and has != kept.manifest.migrations:
        raise Refused(
            "this backup is of an older version, and this database has tables of another form already",
            file=kept.path.name,
            accepted="a database without tables; they are made as they were, and brought up to date after",
        )
    if replace or not has:
        return
    with database.cursor() as cursor:
        for table in tables_of():
            if table.name in MADE_BY_ITSELF:
                continue
            cursor.execute(f'SELECT EXISTS (SELECT 1 FROM "{table.name}")')
            if cursor.fetchone()[0]:
                raise Refused(
                    f"this database is not empty, there are rows in {table.name}",
                    accepted="an empty database, or --replace to lose what is in this one",
                )


def _leaves(executor: MigrationExecutor, manifest: Manifest) -> list[tuple[str, str]]:
    """Return the last migrations of each app that a backup's database had."""
    had = {(app, name) for app, names in manifest.migrations.items() for name in names}
    disk = executor.loader.disk_migrations
    earlier = {
        before for node in had if node in disk for before in disk[node].dependencies if before[0] == node[0]
    }
    return sorted(node for node in had - earlier if node in disk)


def _unpack_uploads(kept: Kept, uploads: Path) -> Path:
    """Lay the files of uploads beside where they go, so that only moving them is left for later."""
    uploads.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=".restoring-", dir=uploads.parent))
    try:
        for name in kept.manifest.files:
            with (
                kept.archive.open(name) as member,
                (folder / Path(name.removeprefix(UPLOADS)).name).open("wb") as file,
            ):
                shutil.copyfileobj(member, file)
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise Refused(f"the files of uploads find no room ({error.strerror})", file=kept.path.name) from error
    return folder


def _put_all(
    kept: Kept, database: BaseDatabaseWrapper, executor: MigrationExecutor, progress: Progress
) -> None:
    """Replace all rows, compare them with the backup, and keep them only if they are the same."""
    state = executor.loader.project_state(_leaves(executor, kept.manifest))
    tables = [table for table in tables_of(state.apps) if table.name in kept.manifest.tables]
    missing = set(kept.manifest.tables) - {table.name for table in tables}
    if missing:
        raise Refused("a table that this version does not know", file=kept.path.name, value=min(missing))
    try:
        with own_connection(database) as raw:
            # On SQLite the lock is taken at once, so that nobody writes between the emptying and the end.
            raw.execute("BEGIN IMMEDIATE" if database.vendor == "sqlite" else "BEGIN")
            if database.vendor == "sqlite":
                raw.execute("PRAGMA defer_foreign_keys = ON")
            empty(raw, database.vendor, tables)
            for table in tables:
                _put_table(kept, raw, database.vendor, table)
                progress(f"{table.name}: {kept.manifest.tables[table.name]['rows']:,} rows")
            _compare(kept, OneInstant(raw, database.vendor), tables)
            raw.execute("COMMIT")  # what ends before this is taken back when the connection is let go
    except database.Database.Error as error:  # type: ignore[attr-defined]
        raise DatabaseError(str(error)) from error


def _put_table(kept: Kept, raw: Any, vendor: str, table: KeptTable) -> None:
    told = kept.manifest.tables[table.name]
    if set(told["columns"]) != set(table.columns):
        raise Refused("a table of another form", file=kept.path.name, value=table.name)
    ordered = _in_order(table, told["columns"])
    put(raw, vendor, ordered, kept.lines(table.name))
    go_on_from(raw, vendor, ordered, told["last"])


def _in_order(table: KeptTable, columns: list[str]) -> KeptTable:
    """Return the table with its columns in the order of the backup."""
    cells = dict(zip(table.columns, table.cells, strict=True))
    return KeptTable(
        table.name, table.key, tuple(columns), tuple(cells[name] for name in columns), table.text_key
    )


def _compare(kept: Kept, instant: OneInstant, tables: list[KeptTable]) -> None:
    for table in tables:
        told = kept.manifest.tables[table.name]
        found = digest_of(instant.lines(_in_order(table, told["columns"])))
        if found != (told["rows"], told["sha256"]):
            raise Refused(
                f"{table.name} came back as {found[0]:,} rows that differ from the backup's {told['rows']:,}",
                file=kept.path.name,
            )
