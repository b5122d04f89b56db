"""Files of readings from the first look to their storing: whole or not at all, once, by one worker."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import intake, upload_storing, uploads
from fleet.models import ClimateDay, ClimateReading, LoggerFormat, ReadingsUpload, UploadState
from fleet.refusal import Refused
from fleet.upload_trial import trial_of
from scheduling import ticking
from tests import factories as make

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
START = datetime(2026, 10, 20, tzinfo=UTC)


@pytest.fixture(autouse=True)
def on_the_day(settings, tmp_path):
    settings.UPLOADS_DIR = tmp_path / "uploads"
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def hall():
    return make.make_room(make.make_site("Brackwater Conservatory"), "Elm Hall")


def text(count: int = 200, header: str = "time,temp °C,RH %", step: int = 30) -> str:
    """Half hours of UTC with their offset, each value another one."""
    rows = [
        f"{(START + timedelta(minutes=step * n)).isoformat()},{20 + n % 7 / 10},{40 + n % 11 / 10}"
        for n in range(count)
    ]
    return "\n".join([header, *rows]) + "\n"


def bring(room, content: str, name: str = "log.csv", **said) -> ReadingsUpload:
    upload = uploads.begin(room.site, name, [content.encode()], room, None, NOW)
    return uploads.choose(upload, said, room) if said else upload


def stored(upload: ReadingsUpload) -> ReadingsUpload:
    uploads.ask_to_store(upload)
    upload_storing.store(upload.pk)
    upload.refresh_from_db()
    return upload


def files(settings) -> list[Path]:
    return list(Path(settings.UPLOADS_DIR).iterdir())


def test_a_file_is_stored_whole_with_its_days_and_then_deleted(
    hall, settings, django_capture_on_commit_callbacks
):
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    with django_capture_on_commit_callbacks(execute=True):
        upload_storing.store(upload.pk)
    upload.refresh_from_db()
    assert (upload.state, upload.new, upload.changed, upload.same) == ("stored", 200, 0, 0)
    assert upload.lines_read == 200
    rows = ClimateReading.objects.order_by("time")
    assert rows.count() == 200
    assert (rows[1].time, rows[1].temp_c, rows[1].rh, rows[1].source) == (
        START + timedelta(minutes=30),
        20.1,
        0.401,
        "log.csv",
    )
    assert sum(ClimateDay.objects.values_list("readings", flat=True)) == 200
    assert files(settings) == []


def test_the_same_file_again_changes_nothing(hall):
    stored(bring(hall, text()))
    before = list(ClimateReading.objects.values()), list(ClimateDay.objects.values())
    upload = stored(bring(hall, text()))
    assert (upload.new, upload.changed, upload.same) == (0, 0, 200)
    assert (list(ClimateReading.objects.values()), list(ClimateDay.objects.values())) == before


def test_nothing_is_stored_of_a_file_with_a_bad_line_and_its_line_is_named(hall, settings):
    upload = stored(bring(hall, text() + f"{START.isoformat()},20,140\n"))
    assert upload.state == UploadState.REFUSED
    assert "line 202" in upload.trouble
    assert "'140'" in upload.trouble
    assert not ClimateReading.objects.exists()
    assert not ClimateDay.objects.exists()
    assert len(files(settings)) == 1  # it waits for another choice


def test_two_lines_that_contradict_each_other_are_named_and_two_equal_ones_are_one(hall):
    again = f"{START.isoformat()},20.0,40.0\n"
    assert stored(bring(hall, text() + again)).new == 200
    ClimateReading.objects.all().delete()
    upload = stored(bring(hall, text() + again.replace("40.0", "41")))
    assert "stands in line 2" in upload.trouble
    assert "line 202" in upload.trouble
    assert not ClimateReading.objects.exists()


def test_readings_of_several_rooms_go_where_the_column_says(hall):
    other = make.make_room(hall.site, "Lark Studio")
    rows = "".join(
        f"2026-11-2{n},12:00,{room},20,40\n" for n in range(3) for room in ("elm hall", "Lark Studio")
    )
    upload = uploads.begin(
        hall.site, "both.csv", [f"date,time,room,temp c,rh %\n{rows}".encode()], None, None, NOW
    )
    assert uploads.unsaid(upload) == []
    assert stored(upload).new == 6
    assert hall.readings.count() == other.readings.count() == 3
    upload = uploads.begin(
        hall.site, "x.csv", [b"date,time,room,temp c,rh %\n2026-11-20,12:00,Cellar,20,40\n"], None, None, NOW
    )
    refused = stored(upload)
    assert "'Cellar'" in refused.trouble
    assert "Elm Hall" in refused.trouble


def test_what_would_be_stored_is_said_before_and_nothing_is(hall):
    stored(bring(hall, text(50)))
    content = text(480) + f"{(START + timedelta(days=14)).isoformat()},20,40\n"
    trial = trial_of(bring(hall, content), NOW)
    assert trial is not None
    (room,) = trial.rooms
    assert (room.counts.new, room.counts.changed, room.counts.same) == (431, 0, 50)
    assert (room.step_minutes, room.all_gaps) == (30, 1)
    # 480 half hours are ten days; the last of them begins half an hour before their end.
    assert room.gaps[0].hours == pytest.approx(4 * 24 + 0.5)
    assert room.days.readings.sum() == 481
    assert ClimateReading.objects.count() == 50


def test_a_long_file_is_tried_by_its_first_lines_and_says_so(hall, monkeypatch):
    monkeypatch.setattr("fleet.upload_trial.MOST_TRIED", 1_000)
    trial = trial_of(bring(hall, text(2_500, step=5)), NOW)
    assert trial is not None
    assert not trial.whole
    assert trial.lines_tried == 1_999  # a part of two thousand rows with the header


def test_what_cannot_be_told_is_asked_and_remembered_for_the_room(hall):
    content = text(header="time,V1,V2")
    upload = bring(hall, content)
    assert [name for name, _ in uploads.unsaid(upload)] == ["temperature", "humidity"]
    with pytest.raises(Refused, match="temperature"):
        uploads.ask_to_store(upload)
    meanings = ["stamp", "temperature_c", "humidity_percent"]
    stored(uploads.choose(upload, {"meanings": meanings}, hall))
    assert LoggerFormat.objects.get().room == hall
    again = uploads.begin(hall.site, "log.csv", [content.encode()], None, None, NOW)
    assert (again.remembered, again.choices["meanings"], again.room) == (True, meanings, hall)
    elsewhere = make.make_room(make.make_site("Another School"), "Attic")
    assert not bring(elsewhere, content).remembered


def test_a_remembered_order_of_dates_is_not_put_upon_dates_that_say_otherwise(hall):
    def of(*days: str) -> str:
        return "time,temp c,rh %\n" + "".join(f"{day} 08:00,20,40\n" for day in days)

    stored(bring(hall, of("03/04/2026"), order="dmy"))
    assert bring(hall, of("04/04/2026", "05/04/2026")).choices["order"] == "dmy"
    assert bring(hall, of("04/13/2026")).choices["order"] == "mdy"


def test_another_header_line_is_looked_at_anew(hall):
    upload = bring(hall, "a,b,c\n" + text())
    assert upload.choices["header_line"] == 2
    upload = uploads.choose(upload, {"header_line": "1"}, hall)
    assert upload.head["header"] == ["a", "b", "c"]
    with pytest.raises(Refused, match="header"):
        uploads.choose(upload, {"header_line": "900"}, hall)


def test_a_file_is_claimed_by_one_worker_and_again_when_that_one_dies(hall):
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    assert ticking.tick(NOW).uploads == [upload.pk]
    ReadingsUpload.objects.update(
        state=UploadState.CHECKING, lease="another", lease_until=NOW + timedelta(minutes=1)
    )
    assert upload_storing.store(upload.pk) is None
    assert uploads.due(NOW) == []
    ReadingsUpload.objects.update(lease_until=NOW - timedelta(minutes=1))
    assert uploads.due(NOW) == [upload.pk]
    assert upload_storing.store(upload.pk) == UploadState.STORED
    assert upload_storing.store(upload.pk) is None
    assert ClimateReading.objects.count() == 200


def test_a_file_may_be_given_up_while_it_waits_and_while_it_is_checked(hall, settings, monkeypatch):
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    assert uploads.cancel(upload, NOW)
    assert upload_storing.store(upload.pk) is None
    assert files(settings) == []
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    monkeypatch.setattr(upload_storing, "TELL_EVERY", 50)
    spool = upload_storing._spool

    def spool_and_give_up(*what):
        spool(*what)
        assert uploads.cancel(upload, NOW)

    monkeypatch.setattr(upload_storing, "_spool", spool_and_give_up)
    assert upload_storing.store(upload.pk) == UploadState.CANCELLED
    assert files(settings) == []
    assert not uploads.cancel(upload, NOW)
    assert not ClimateReading.objects.exists()


def test_a_file_is_given_up_while_its_readings_are_being_stored_and_nothing_of_it_stays(
    hall, settings, monkeypatch
):
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    store, calls = intake.store_readings, []
    monkeypatch.setattr(upload_storing, "STRETCH", upload_storing.DAY)  # each day is stored by itself

    def stopped_in_the_first(*what, **more):
        calls.append(what)
        found = store(*what, **more)
        uploads.stop_sign(upload).touch()
        return found

    monkeypatch.setattr(intake, "store_readings", stopped_in_the_first)
    assert upload_storing.store(upload.pk) == UploadState.CANCELLED
    assert len(calls) == 1
    assert not ClimateReading.objects.exists()
    assert not ClimateDay.objects.exists()
    assert files(settings) == []  # neither the file nor the sign


def test_the_sign_to_stop_is_put_up_before_anything_is_written(hall):
    """While a worker stores on SQLite nobody else can write, so the word has to go past the database."""
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    ReadingsUpload.objects.update(state=UploadState.STORING)
    seen = []

    def look(execute, sql, *rest):
        if sql.startswith("UPDATE"):
            seen.append(uploads.stop_sign(upload).exists())
        return execute(sql, *rest)

    with connection.execute_wrapper(look):
        assert uploads.cancel(upload, NOW)
    assert seen[0] is True


def test_a_sign_that_a_dead_worker_left_stops_no_later_one(hall):
    upload = bring(hall, text())
    uploads.ask_to_store(upload)
    uploads.stop_sign(upload).touch()
    assert upload_storing.store(upload.pk) == UploadState.STORED
    assert not uploads.stop_sign(upload).exists()


@pytest.mark.django_db(transaction=True)
def test_a_worker_that_dies_while_storing_leaves_nothing_behind(hall, monkeypatch):
    upload = bring(hall, text(600, step=1440))  # several stretches, each stored by itself
    uploads.ask_to_store(upload)
    store, calls = intake.store_readings, []

    def die_at_the_second(*what, **more):
        calls.append(what)
        if len(calls) == 2:
            raise SystemExit
        return store(*what, **more)

    ReadingsUpload.objects.update(state=UploadState.WAITING)
    with monkeypatch.context() as patch:
        patch.setattr(intake, "store_readings", die_at_the_second)
        patch.setattr(upload_storing, "STRETCH", 10 * upload_storing.DAY)
        patch.setattr("fleet.upload_trial.AHEAD", timedelta(days=999))
        with pytest.raises(SystemExit):
            upload_storing.store(upload.pk)
    assert len(calls) == 2
    assert not ClimateReading.objects.exists()
    upload.refresh_from_db()
    assert upload.state == UploadState.STORING
    assert uploads.due(NOW + timedelta(hours=1)) == [upload.pk]


def test_the_local_hour_that_comes_twice_is_stored_twice(hall):
    """Vienna, 25 October 2026: 03:00 summer time becomes 02:00 winter time."""
    clock = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    rows = "".join(f"2026-10-25 {time},20,{40 + n}\n" for n, time in enumerate(clock))
    assert stored(bring(hall, f"time,temp c,rh %\n{rows}")).new == 6
    first = datetime(2026, 10, 24, 23, 30, tzinfo=UTC)
    assert list(ClimateReading.objects.order_by("time").values_list("time", "rh")) == [
        (first + timedelta(minutes=30 * n), (40 + n) / 100) for n in range(6)
    ]


def test_files_that_nobody_comes_back_to_are_deleted_after_a_day(hall, settings):
    upload = bring(hall, text())
    assert uploads.forget_old(NOW + timedelta(hours=23)) == 0
    ticking.tick(NOW + timedelta(hours=25))
    upload.refresh_from_db()
    assert upload.state == UploadState.FORGOTTEN
    assert files(settings) == []
    with pytest.raises(Refused, match="no choices"):
        uploads.choose(upload, {}, hall)


def test_what_a_killed_worker_left_is_swept_away_and_what_waits_is_kept(hall, settings):
    upload = bring(hall, text(5))
    uploads.ask_to_store(upload)
    folder = Path(settings.UPLOADS_DIR)
    (folder / "spool-left").mkdir()
    (folder / "stray").write_bytes(b"x")
    long_ago = (NOW - timedelta(days=3)).timestamp()
    for path in folder.iterdir():
        os.utime(path, (long_ago, long_ago))
    uploads.forget_old(NOW)
    assert files(settings) == [uploads.path_of(upload)]


def test_too_large_files_and_too_many_are_refused_and_not_kept(hall, settings, monkeypatch):
    monkeypatch.setattr(uploads, "LARGEST_FILE", 1_000)
    with pytest.raises(Refused, match="too large"):
        bring(hall, text())
    with pytest.raises(Refused, match=r"log\.csv"):
        bring(hall, "nothing")
    assert files(settings) == []
    monkeypatch.setattr(uploads, "MOST_OPEN", 1)
    bring(hall, text(5))
    with pytest.raises(Refused, match="too many"):
        bring(hall, text(5))


# The pages


def test_the_whole_way_through_the_page(client, hall, django_capture_on_commit_callbacks):
    client.force_login(make.make_user(hall.site))
    file = SimpleUploadedFile("../..\\log.csv", text(header="time,V1,V2").encode())
    address = client.post("/uploads/bring/", {"file": file, "room": hall.pk}).url
    page = client.get(address).content.decode()
    assert "<h1>log.csv</h1>" in page
    assert "Which column is the temperature" in page
    assert "Store these readings" not in page
    upload = ReadingsUpload.objects.get()
    said = {
        "room": hall.pk,
        "meaning_1": "temperature_c",
        "meaning_2": "humidity_percent",
        "order": "ymd",
        "clock": "written",
    }
    assert client.post(f"/uploads/{upload.pk}/choose/", {**said, "act": "look"}).url == address
    page = client.get(address).content.decode()
    assert "Store these readings" in page
    assert "<td>200</td>" in page
    figure = client.get(f"{address}figure/").json()
    assert figure["series"][1]["x"][0] == "2026-10-20"
    client.post(f"/uploads/{upload.pk}/choose/", {**said, "act": "store"})
    assert "Waiting for its turn" in client.get(address).content.decode()
    assert "http-equiv" in client.get(address).content.decode()
    upload_storing.store(upload.pk)
    assert "200 readings are new" in client.get(address, headers={"HX-Request": "true"}).content.decode()
    assert client.get(f"{address}figure/").status_code == 404
    assert "log.csv" in client.get("/uploads/").content.decode()


def test_a_refused_file_shows_its_lines(client, hall):
    client.force_login(make.make_user(hall.site))
    upload = bring(hall, text() + f"{START.isoformat()},20,140\n")
    page = client.get(f"/uploads/{upload.pk}/").content.decode()
    assert "line 202, column RH %: an impossible reading" in page
    assert "Store these readings" not in page
    answer = client.post("/uploads/bring/", {"file": SimpleUploadedFile("a.csv", b"x")}, follow=True)
    assert "no table with a header row" in answer.content.decode()
    assert "no file was chosen" in client.post("/uploads/bring/", follow=True).content.decode()


def test_the_list_asks_as_often_for_many_files(client, hall):
    client.force_login(make.make_user(hall.site))
    asked = []
    for number in (1, 8):
        for _ in range(number):
            bring(hall, text(5))
        with CaptureQueriesContext(connection) as seen:
            client.get("/uploads/")
        asked.append(len(seen))
    assert asked[0] == asked[1]


def test_readers_look_and_strangers_find_nothing(client, hall):
    upload = bring(hall, text(5))
    own = [f"/uploads/{upload.pk}/choose/", f"/uploads/{upload.pk}/cancel/"]
    for user, sees, changes in (
        (make.make_user(hall.site, "reader"), 200, 403),
        (make.make_user(make.make_site("Another School")), 404, 404),
    ):
        client.force_login(user)
        assert client.get(f"/uploads/{upload.pk}/").status_code == sees
        for address in own:
            assert client.post(address).status_code == changes
            assert client.get(address).status_code == 405
    upload.refresh_from_db()
    assert upload.state == UploadState.OPEN
