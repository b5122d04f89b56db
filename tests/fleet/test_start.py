"""The start of a site: made by whom, from a folder, a spreadsheet or by hand, all of it or nothing."""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, date, datetime

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from fleet import arrival_work, arrivals
from fleet.arrivals import Brought
from fleet.models import Arrival, Instrument, Membership, Person, Role, Room, Service, Site
from scheduling import first_forecast
from scheduling.models import FirstForecast, Forecast
from tests import factories as make
from tests.fleet.sheets.test_reading import HEADER, ROWS, workbook

SITE = {"name": "Brackwater Conservatory", "time_zone": "Europe/Vienna", "currency": "EUR"}
FOLDER = {
    "site.csv": "name,time_zone\nSaltmarsh School,Europe/Vienna\n",
    "rooms.csv": "room,building\nAttic,Old House\n",
    "instruments.csv": "instrument,kind,year_built,in_service_since,room,use_class\n"
    "U-1,upright,1998,1999-09-01,Attic,practice\n",
    "readings.csv": "room,time,relative_humidity_percent,temperature_c\nAttic,2026-11-20T08:00,41,20.5\n",
    "services.csv": "instrument,kind,date\nU-1,tuning,2026-09-01\n",
}


@pytest.fixture(autouse=True)
def here(tmp_path, settings):
    settings.UPLOADS_DIR = tmp_path / "uploads"
    settings.UPLOADS_DIR.mkdir()
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        yield


@pytest.fixture
def person(client, db):
    user = make.make_user()
    client.force_login(user)
    return user


def zipped(files: dict[str, str], folder: str = "export/") -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, text in files.items():
            archive.writestr(folder + name, text)
    return file.getvalue()


def bring(client, kind: str, name: str, content: bytes) -> Arrival:
    sent = {"kind": kind, "file": SimpleUploadedFile(name, content)}
    assert client.post("/start/bring/", sent).status_code == 302
    return Arrival.objects.first()


def page(client, arrival: Arrival) -> str:
    return client.get(f"/start/brought/{arrival.pk}/").content.decode()


def test_who_has_no_site_makes_one_and_is_its_administrator(client, person):
    assert "Start a site" in client.get("/").content.decode() or "/start/" in client.get("/").content.decode()
    assert client.post("/start/site/", SITE).status_code == 302
    assert Membership.objects.get(user=person).role == Role.ADMINISTRATOR
    assert "Start with Brackwater Conservatory" in client.get("/start/").content.decode()


@pytest.mark.parametrize(
    ("role", "status"), [(Role.TECHNICIAN, 403), (Role.READER, 403), (Role.ADMINISTRATOR, 302)]
)
def test_of_those_who_have_a_site_administrators_make_another(client, db, role, status):
    client.force_login(make.make_user(make.make_site(), role))
    assert client.post("/start/site/", SITE).status_code == status
    assert Site.objects.filter(name=SITE["name"]).exists() == (status == 302)


def test_a_name_that_is_taken_and_a_currency_that_is_none_are_said_beside_their_fields(client, person):
    make.make_site(SITE["name"])
    answer = client.post("/start/site/", {**SITE, "currency": "EU1"})
    assert answer.status_code == 422
    assert answer.content.decode().count('class="wrong"') == 2


def test_a_zip_of_a_folder_is_tried_first_then_stored_with_who_brought_it_as_administrator(client, person):
    arrival = bring(client, "folder", "export.zip", zipped(FOLDER))
    assert arrival.state == "looked", arrival.trouble
    assert not Site.objects.exists()
    assert "nothing is stored yet" in page(client, arrival)
    client.post(f"/start/brought/{arrival.pk}/choose/", {"act": "store"})
    site = Site.objects.get(name="Saltmarsh School")
    assert Membership.objects.get(user=person, site=site).role == Role.ADMINISTRATOR
    assert Instrument.objects.get(site=site).tag == "U-1"
    assert not arrivals.path_of(arrival).exists()
    assert "On to the first forecast" in page(client, arrival)


def test_a_folder_never_reaches_into_a_site_where_its_bringer_does_not_work(client, person):
    other = make.make_site("Saltmarsh School")
    Membership.objects.create(user=person, site=other, role=Role.READER)
    Membership.objects.create(user=person, site=make.make_site(), role=Role.ADMINISTRATOR)
    arrival = bring(client, "folder", "export.zip", zipped(FOLDER))
    assert (arrival.state, "you do not work there" in arrival.trouble) == ("refused", True)
    # The same, where the site comes into being between the trial and the storing.
    files = FOLDER | {"site.csv": FOLDER["site.csv"].replace("Saltmarsh", "Reedbank")}
    arrival = bring(client, "folder", "export.zip", zipped(files))
    make.make_site("Reedbank School")
    client.post(f"/start/brought/{arrival.pk}/choose/", {"act": "store"})
    assert Arrival.objects.get(pk=arrival.pk).state == "refused"
    assert not Room.objects.exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (zipped(FOLDER | {"rooms.csv": "room,colour\nAttic,red\n"}), "rooms.csv, line 1, column colour"),
        (zipped({"notes.txt": "none"}), "no CSV file"),
        (b"PK\x03\x04 torn", "cannot be read"),
        (zipped(FOLDER, "../../../"), ""),
    ],
    ids=["a wrong column", "nothing of use", "torn", "a path upwards"],
)
def test_what_is_wrong_with_a_folder_is_said_and_nothing_lands_elsewhere(
    client, person, content, said, settings
):
    sent = {"kind": "folder", "file": SimpleUploadedFile("export.zip", content)}
    answer = client.post("/start/bring/", sent, follow=True)
    assert said.replace("'", "&#x27;") in answer.content.decode()
    assert {path.name for path in settings.UPLOADS_DIR.parent.iterdir()} == {"uploads"}
    assert not Site.objects.exists()


@pytest.fixture
def site(client, person) -> Site:
    site = make.make_site("Brackwater Conservatory")
    Membership.objects.create(user=person, site=site, role=Role.ADMINISTRATOR)
    return site


def test_a_spreadsheet_is_recognised_asked_about_and_stored_whole(client, site):
    arrival = bring(client, "instruments", "pianos.xlsx", workbook())
    assert arrival.state == "looked", (arrival.head.get("unsaid"), arrival.trouble)
    assert arrival.result["files"]["instruments.csv"] == {"new": 2, "changed": 0, "same": 0}
    assert not Instrument.objects.exists()
    text = page(client, arrival)
    assert "Store these 2 rows" in text
    client.post(f"/start/brought/{arrival.pk}/choose/", {"act": "store"})
    grand, upright = Instrument.objects.order_by("tag")
    assert (grand.kind, grand.use_class, grand.year_built, grand.maker) == (
        "grand",
        "concert",
        1987,
        "Hallorn & Vest",
    )
    assert (upright.kind, upright.use_class, upright.in_service_since) == (
        "upright",
        "practice",
        date(2003, 9, 1),
    )
    assert set(Room.objects.of_site(site).values_list("name", flat=True)) == {"Elm Hall", "Attic"}
    # Brought again it is the same, and one value changed is one change.
    rows = [ROWS[0], [*ROWS[1][:6], "Vest"]]
    again = bring(
        client,
        "instruments",
        "pianos.xlsx",
        workbook(HEADER, *rows),
    )
    assert again.result["files"]["instruments.csv"] == {"new": 0, "changed": 1, "same": 1}


def test_what_no_column_tells_and_words_that_are_not_known_are_asked(client, site):
    table = b"tag,art,year,room\nZ-1,Dulcitone,1911,Attic\nZ-2,Grand,1921,Attic\n"
    arrival = bring(client, "instruments", "list.csv", table)
    assert arrival.state == "open"
    assert {tuple(one) for one in arrival.head["unsaid"]} == {
        *{("words", "kind"), ("column", "use_class"), ("column", "in_service_since")}
    }
    text = page(client, arrival)
    assert "No column tells" in text
    said = {
        "act": "look",
        "word_kind_0": "celesta",
        "answer_use_class": "practice",
        "answer_in_service_since": "year_built",
    }
    client.post(f"/start/brought/{arrival.pk}/choose/", said)
    arrival.refresh_from_db()
    assert arrival.state == "looked", (arrival.head["unsaid"], arrival.trouble)
    client.post(f"/start/brought/{arrival.pk}/choose/", {**said, "act": "store"})
    found = Instrument.objects.order_by("tag").values_list("kind", "use_class", "in_service_since")
    assert list(found) == [("celesta", "practice", date(1911, 1, 1)), ("grand", "practice", date(1921, 1, 1))]


def test_refused_rows_are_named_by_line_column_and_value_and_nothing_is_stored(client, site):
    table = (
        b"tag,kind,year,since,room,use,house\nZ-1,grand,about 1900,1999-01-01,Attic,practice,Old\n"
        b"Z-2,grand,1921,1999-02-30,Attic,practice,Old\nZ-3,grand,1921,1999,Attic,practice,New\n"
        b"Z-3,grand,1921,1999,Attic,practice,Old\n,grand,1921,1999,Attic,practice,Old\nZ-6,grand,#N/A,1999,Attic,practice,Old\n"
    )
    arrival = bring(client, "instruments", "list.csv", table)
    assert arrival.state == "open"
    for said in (
        "list.csv, line 2, column year: not accepted, found 'about 1900'",
        "list.csv, line 3, column since: no date in this order, found '1999-02-30'",
        "list.csv, line 6, column tag: an empty cell",
        "list.csv, line 7, column year: an error of the spreadsheet, found '#N/A'",
    ):
        assert said in arrival.trouble, arrival.trouble
    assert client.post(f"/start/brought/{arrival.pk}/choose/", {"act": "store"}).status_code == 302
    assert not Instrument.objects.exists()
    assert not Room.objects.exists()


def test_past_services_are_matched_to_instruments_and_checked_as_a_folder_is(client, site):
    make.make_instrument(make.make_room(site), "U-1")
    good = b"Tag;Work;Datum;Minuten;vorher\nU-1;Stimmen;03.09.2026;80;-4,5\nU-1;Regulierung;4.10.2026;;\n"
    arrival = bring(client, "services", "work.csv", good)
    assert arrival.state == "looked", (arrival.head["unsaid"], arrival.trouble)
    client.post(f"/start/brought/{arrival.pk}/choose/", {"act": "store"})
    tuning = Service.objects.get(kind="tuning")
    assert (tuning.date, tuning.minutes, tuning.found) == (date(2026, 9, 3), 80, -4.5)
    bad = b"Tag,Work,Date\nU-9,tuning,2026-09-03\nU-1,bedding,2026-09-03\nU-1,tuning,2027-01-03\n"
    arrival = bring(client, "services", "work.csv", bad)
    assert arrival.trouble.count("work.csv, line") == 3
    assert "the date is in the future" in arrival.trouble
    assert Service.objects.count() == 2


def test_a_file_is_its_bringer_s_alone_and_only_who_works_at_the_site_brings_one(client, site):
    arrival = bring(client, "instruments", "pianos.xlsx", workbook())
    client.force_login(make.make_user(site, Role.ADMINISTRATOR))
    assert client.get(f"/start/brought/{arrival.pk}/").status_code == 404
    client.force_login(make.make_user(site, Role.READER))
    sent = {"kind": "instruments", "file": SimpleUploadedFile("a.csv", b"x")}
    assert client.post("/start/bring/", sent).status_code == 403


def test_rights_lost_meanwhile_are_lost_for_what_waits(client, person, site):
    arrival = bring(client, "instruments", "pianos.xlsx", workbook())
    Membership.objects.filter(user=person).update(role=Role.READER)
    arrivals.answer(arrival, {}, store=True)
    arrival_work.take_up(arrival.pk)
    assert not Instrument.objects.exists()


def test_what_a_dead_worker_left_is_taken_up_again_and_what_nobody_comes_back_to_is_forgotten(person, site):
    now = timezone.now()
    brought = Brought("instruments", [SimpleUploadedFile("a.xlsx", workbook())], site)
    arrival = arrivals.begin(brought, person, now)
    assert arrivals.due(now) == [arrival.pk]
    Arrival.objects.update(state="working", lease_until=now - arrivals.KEPT_FOR)
    assert arrivals.due(now) == [arrival.pk]
    assert arrival_work.take_up(arrival.pk).state == "looked"
    assert arrival_work.take_up(arrival.pk) is None
    assert arrivals.forget_old(now + 2 * arrivals.KEPT_FOR) == 1
    assert not arrivals.path_of(arrival).exists()


def test_several_instruments_are_entered_by_hand_or_none_and_what_was_typed_stays(client, site):
    upright = {"instrument-1": "U-1", "kind-1": "upright", "year_built-1": "1990", "room-1": "Attic"}
    grand = {"instrument-2": "G-1", "kind-2": "grand", "year_built-2": "19x0", "room-2": "Hall"}
    uses = {"use_class-1": "practice", "use_class-2": "concert", "kind-3": "upright", "use_class-3": "store"}
    rows = {**upright, **grand, **uses}
    answer = client.post("/start/by-hand/instruments/", rows)
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "Line 2, column Year built: not accepted" in text
    assert 'value="19x0"' in text
    assert not Instrument.objects.exists()
    assert client.post("/start/by-hand/instruments/", {**rows, "year_built-2": "1980"}).status_code == 302
    assert Instrument.objects.count() == 2
    again = client.post("/start/by-hand/instruments/", rows).content.decode()
    assert "this is there already" in again or "not accepted" in again
    people = {"name-1": "Nell Orr", "email-1": "nell@example.org", "hours_per_week-1": "12.5"}
    assert client.post("/start/by-hand/people/", people).status_code == 302
    assert Person.objects.get().hours_per_week == 12.5


def test_the_first_forecast_is_made_and_what_is_missing_is_told_in_days(client, site):
    make.make_instrument(make.make_room(site, "Attic"), "U-1")
    text = client.get("/start/next/").content.decode()
    assert "No past service is known" in text
    assert "No room has readings" in text
    assert client.post("/start/forecast/", {"site": site.pk}).status_code == 302
    assert "It waits for the worker" in client.get("/start/next/").content.decode()
    work = first_forecast.compute(FirstForecast.objects.get().pk)
    assert work.state == "done", work.trouble
    assert Forecast.objects.of_site(site).filter(kind="tuning").exists()
    assert set(work.gains) <= {"services", "readings"}
    assert work.gains, "neither measuring nor readings would improve anything"
    for gain in work.gains.values():
        assert 0 < gain["then"] < gain["now"]
    text = client.get("/start/next/").content.decode()
    assert "would narrow from" in text
    assert "On to This week" in text


def test_an_administrator_is_led_from_the_hours_that_are_there_to_the_settings(client, site):
    make.make_person(site, hours_per_week=12)
    head = make.make_user(site, Role.ADMINISTRATOR)
    for user, leads in ((head, True), (make.make_user(site), False)):
        client.force_login(user)
        text = client.get("/start/next/").content.decode()
        assert ('href="/settings/people/"' in text, 'href="/start/by-hand/people/"' in text) == (
            leads,
            not leads,
        )


def test_without_instruments_there_is_no_first_forecast(client, site):
    client.post("/start/forecast/", {"site": site.pk})
    assert not FirstForecast.objects.exists()
