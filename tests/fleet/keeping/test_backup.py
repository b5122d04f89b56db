"""A backup brought back: every table the same to the last value, and nothing touched where it cannot be.

Tables are compared by plain SQL of the drivers, which shares nothing with how a backup reads them.
"""

from __future__ import annotations

import json
import random
import resource
import sqlite3
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection, connections
from django.db.backends.sqlite3.base import DatabaseWrapper as SqliteWrapper
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import JSONField

from fleet.keeping import daily
from fleet.keeping.backup import write_backup
from fleet.keeping.cells import cells_of
from fleet.keeping.restore import restore
from fleet.keeping.tables import one_instant, tables_of
from fleet.models import BookingSource, CalendarReading, NoteRequest, Person, Room, SignIn, Site
from fleet.refusal import Refused
from scheduling import ticking
from scheduling.models import DraftOrder, Scenario
from tests import factories as make

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
pytestmark = pytest.mark.django_db(transaction=True)


def odd_house() -> Site:
    """A site with a value of every kind of column, and such as are easily bent on the way."""
    site = make.make_site("Haus „Ännchen“ \\N \t", hour_cost="72.50")
    room = make.make_room(site, "Saal\\1\nOst", borrows_from=make.make_room(site, "Zimmer ☂"))
    instrument = make.make_instrument(room, "U-1", pitch_hz=442.1, hours_played_per_week=0.1 + 0.2)
    make.make_person(site, "Ida Thorn", hours_per_week=1e-7, hour_cost="0.00", user=make.make_user(site))
    NoteRequest.objects.create(instrument=instrument, notes=["D#3"], symptom="a buzz", made_at=NOW)
    source = BookingSource.objects.create(site=site, name="hall")
    CalendarReading.objects.create(source=source, at=NOW, state="shown", raw=bytes(range(256)), details={})
    asked = {"site": site, "start": make.MONDAY, "weeks": 4, "asked_at": NOW.replace(microsecond=120)}
    DraftOrder.objects.create(**asked, hours_per_week=None)
    Scenario.objects.create(**asked, name="odd", hours_used=[1e22, 0.1, -0.0, 3], notes=["ü\\n\u2028", None])
    for letter in "zA":
        SignIn.objects.create(session_key=letter * 40, session_data=letter, expire_date=NOW, seen_at=NOW)
    return site


def contents(raw) -> dict[str, list[list]]:
    """Every row of every table, as the driver gives it."""
    found = {}
    for model in apps.get_models(include_auto_created=True):
        meta = model._meta
        cursor = raw.execute(f'SELECT * FROM "{meta.db_table}"')
        json_columns = {one.column for one in meta.concrete_fields if isinstance(one, JSONField)}
        names = [one[0] for one in cursor.description]
        found[meta.db_table] = sorted(
            (
                [
                    json.loads(value) if name in json_columns and isinstance(value, str) else value
                    for name, value in zip(names, row, strict=True)
                ]
                for row in cursor.fetchall()
            ),
            key=lambda row: str(row[0]),
        )
    return found


def raw_of(wrapper):
    wrapper.ensure_connection()
    return wrapper.connection


@pytest.fixture
def elsewhere(tmp_path):
    """Another database with the same tables and no rows; on PostgreSQL the one under test, emptied."""
    if connection.vendor != "sqlite":
        yield connection
        return
    file = tmp_path / "elsewhere.db"
    connection.ensure_connection()
    with sqlite3.connect(file) as copy:
        connection.connection.backup(copy)
    copy.close()
    wrapper = SqliteWrapper({**connection.settings_dict, "NAME": str(file)}, "elsewhere")
    with wrapper.cursor() as cursor:
        for table in tables_of():
            cursor.execute(f'DELETE FROM "{table.name}"')
    connections["elsewhere"] = wrapper
    yield wrapper
    wrapper.close()
    del connections["elsewhere"]


def backup(tmp_path, name="kept.zip") -> Path:
    uploads = tmp_path / "uploads"
    uploads.mkdir(exist_ok=True)
    write_backup(tmp_path / name, connection, uploads, NOW)
    return tmp_path / name


def test_every_table_comes_back_as_it_was_with_its_files_and_its_next_numbers(tmp_path, elsewhere):
    site = odd_house()
    gone = make.make_room(site, "gone")
    last = gone.pk
    gone.delete()
    (tmp_path / "uploads").mkdir()
    (tmp_path / "uploads" / "ab12").write_bytes(b"time,rh\x00\xff")
    before = contents(raw_of(connection))
    file = backup(tmp_path)
    if elsewhere is connection:
        Room.objects.update(use="changed since")
        Person.objects.all().delete()
    back = tmp_path / "back"
    manifest = restore(file, elsewhere, back, replace=elsewhere is connection)
    assert contents(raw_of(elsewhere)) == before
    assert manifest.rows == sum(len(rows) for rows in before.values())
    assert (back / "ab12").read_bytes() == b"time,rh\x00\xff"
    with elsewhere.cursor() as cursor:  # a number that was given once is not given to another row
        cursor.execute(
            "INSERT INTO fleet_room (site_id, name, building, use, outdoors) "
            f"VALUES ({site.pk}, 'new', '', '', {'false' if elsewhere.vendor == 'postgresql' else 0}) "
            "RETURNING id"
        )
        assert cursor.fetchone()[0] > last
    assert file.stat().st_mode & 0o077 == 0


def test_numbers_within_json_read_the_same_from_either_database():
    told = "[-0.0, 1e-7, 5.0, 1e16, -0, 1.50]"
    # What PostgreSQL 15 answers to SELECT told::jsonb.
    by_postgres = "[0.0, 0.0000001, 5.0, 10000000000000000, 0, 1.50]"
    json_cells = cells_of(Scenario._meta.get_field("hours_used"))
    assert json_cells.from_sqlite(told) == json_cells.from_text(by_postgres)


def test_what_is_written_while_it_reads_is_in_it_whole_or_not_at_all(elsewhere):
    table = next(table for table in tables_of() if table.name == "fleet_site")

    def write(name: str) -> None:
        with elsewhere.cursor() as cursor:
            cursor.execute(
                "INSERT INTO fleet_site (name, time_zone, currency, reserve_hours, mail_sender,"
                f" holiday_country, holiday_subdivision) VALUES ('{name}', 'UTC', 'EUR', 0, '', '', '')"
            )

    write("before")
    with one_instant(elsewhere) as instant:
        write("meanwhile")  # nor does the writer wait
        said = "".join(instant.lines(table))
        assert "before" in said
        assert "meanwhile" not in said
    with one_instant(elsewhere) as instant:
        assert "meanwhile" in "".join(instant.lines(table))


def test_a_database_with_rows_is_left_alone_unless_it_is_to_be_replaced(tmp_path):
    odd_house()
    file = backup(tmp_path)
    make.make_site("made since")
    before = contents(raw_of(connection))
    with pytest.raises(Refused, match="not empty"):
        restore(file, connection, tmp_path / "uploads")
    assert contents(raw_of(connection)) == before


def test_a_file_cut_short_or_with_any_byte_flipped_is_refused_before_anything_is_touched(tmp_path):
    odd_house()
    whole = backup(tmp_path).read_bytes()
    before = contents(raw_of(connection))
    chance, refused = random.Random(20261125), 0
    bad = tmp_path / "bad.zip"
    for number in range(60):
        if number % 2:
            damaged = whole[: chance.randrange(len(whole))]
        else:
            at = chance.randrange(len(whole))
            damaged = whole[:at] + bytes([whole[at] ^ (1 << chance.randrange(8))]) + whole[at + 1 :]
        bad.write_bytes(damaged)
        try:
            restore(bad, connection, tmp_path / "uploads", replace=True)
        except Refused:
            refused += 1
            assert contents(raw_of(connection)) == before
        else:  # a bit that says nothing of the content, such as the time in a header of the archive
            assert contents(raw_of(connection)) == before
    assert refused >= 45  # half are cut short, and nearly all other bytes are content or its checks


def rewritten(file: Path, change) -> Path:
    """The same backup with another list of what is in it."""
    other = file.with_name("other.zip")
    with zipfile.ZipFile(file) as old, zipfile.ZipFile(other, "w") as new:
        for name in old.namelist():
            raw = old.read(name)
            if name == "manifest.json":
                document = json.loads(raw)
                change(document)
                raw = json.dumps(document).encode()
            new.writestr(name, raw)
    return other


def test_a_backup_of_a_newer_program_is_refused_by_name(tmp_path):
    odd_house()
    file = backup(tmp_path)
    newer = rewritten(file, lambda document: document["migrations"]["fleet"].append("9999_from_afar"))
    with pytest.raises(Refused, match=r"newer version.*9999_from_afar"):
        restore(newer, connection, tmp_path / "uploads", replace=True)
    form = rewritten(file, lambda document: document.update(version=2))
    with pytest.raises(Refused, match="form 2 is newer"):
        restore(form, connection, tmp_path / "uploads", replace=True)


def test_a_backup_of_older_tables_asks_for_a_database_without_tables(tmp_path):
    odd_house()
    older = rewritten(backup(tmp_path), lambda document: document["migrations"]["fleet"].pop())
    with pytest.raises(Refused, match="without tables"):
        restore(older, connection, tmp_path / "uploads", replace=True)
    assert MigrationRecorder(connection).applied_migrations()


def test_rows_that_do_not_come_back_the_same_are_not_kept(tmp_path, monkeypatch):
    odd_house()
    file = backup(tmp_path)
    Room.objects.update(use="since")
    before = contents(raw_of(connection))
    monkeypatch.setattr("fleet.keeping.restore.digest_of", lambda lines: (0, "another"))
    with pytest.raises(Refused, match="came back as 0 rows"):
        restore(file, connection, tmp_path / "uploads", replace=True)
    assert contents(raw_of(connection)) == before


def test_a_full_disk_leaves_no_half_backup_and_says_so(tmp_path):
    site = odd_house()
    (tmp_path / "uploads").mkdir()
    (tmp_path / "uploads" / "big").write_bytes(random.Random(1).randbytes(300_000))
    assert Site.objects.get() == site
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with pytest.raises(Refused, match="could not be written whole"):
            backup(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["uploads"]
    with pytest.raises(Refused, match="cannot be written"):
        write_backup(tmp_path / "no-such-folder" / "kept.zip", connection, tmp_path / "uploads", NOW)


def test_a_file_that_is_there_is_not_written_over(tmp_path):
    file = backup(tmp_path)
    raw = file.read_bytes()
    with pytest.raises(Refused, match="such a file already"):
        backup(tmp_path)
    assert file.read_bytes() == raw


def test_a_backup_a_day_is_written_where_a_folder_is_named_and_the_newest_are_kept(tmp_path, settings):
    settings.BACKUP_DIR, settings.BACKUPS_KEPT, settings.UPLOADS_DIR = tmp_path / "kept", 2, tmp_path / "up"
    odd_house()
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "mine.zip").write_bytes(b"")
    due = [ticking.tick(NOW + timedelta(hours=hours)).backup for hours in (0, 1, 23, 24)]
    assert due == [True, False, False, True]
    written = [daily.back_up(NOW + timedelta(days=day)) for day in range(3)]
    assert sorted((tmp_path / "kept").iterdir()) == [*written[1:], tmp_path / "kept" / "mine.zip"]
    settings.BACKUP_DIR = tmp_path / "kept" / "mine.zip" / "no folder"
    assert daily.back_up(NOW) is None
