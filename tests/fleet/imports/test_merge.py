"""Importing again and again: what is new, what differs, what is the same, and what is left alone."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from django.db import DatabaseError

from fleet import defaults, models
from fleet.imports import export_folder, service_kinds
from fleet.models import ClimateDay, ClimateReading, Instrument, Room, Service, ServiceKind, ServiceRule, Site
from fleet.refusal import Refused
from tests.fleet.folders import FILES, replaced, row_counts, take, write_folder

pytestmark = pytest.mark.django_db

NEW = {
    "site.csv": 1,
    "service_kinds.csv": 5,
    "rooms.csv": 2,
    "instruments.csv": 2,
    "placements.csv": 2,
    "people.csv": 2,
    "absences.csv": 1,
    "terms.csv": 1,
    "sensors.csv": 1,
    "services.csv": 4,
    "worksheets.csv": 1,
    "held.csv": 1,
    "requests.csv": 1,
    "bookings.ics": 1,
    "readings.csv": 3,
}


def told(taken) -> dict[str, tuple[int, int, int]]:
    return {file: (counts.new, counts.changed, counts.same) for file, counts in taken.files.items()}


@pytest.fixture
def folder(tmp_path):
    return write_folder(tmp_path / "folder")


def test_a_new_site_gets_everything_that_the_folder_says(folder):
    assert {file: counts.new for file, counts in take(folder).files.items()} == NEW
    site = Site.objects.get()
    assert (site.name, site.time_zone, str(site.hour_cost)) == ("Haus Lindwald", "Europe/Vienna", "48.50")
    grand = Instrument.objects.get(tag="G1")
    assert (grand.kind, grand.room.name, grand.glides, grand.pitch_hz) == ("grand", "Saal", 7, 443)
    assert grand.humidity_control
    assert Instrument.objects.get(tag="U1").maker == 'Tewes, Sohn & "Co"'
    first, second = Service.objects.filter(kind="tuning").order_by("order")
    assert (first.order, first.found, first.left, first.found_treble) == (0, -3.2, 0.1, 4.5)
    assert (first.note, second.order, second.found) == ("two\nlines", 1, None)
    person = models.Person.objects.get(name="Mira Tannhof")
    assert (person.skills, person.working_days) == (["tuning", "bedding"], [0, 1, 2, 3, 4])
    reading = ClimateReading.objects.get(time=datetime.fromisoformat("2026-11-01T07:00Z"))
    assert (reading.rh, reading.temp_c, reading.room.name) == (0.453, 21.2, "Saal")
    day = ClimateDay.objects.get(room__name="Saal")
    assert day.rh_mean == pytest.approx((0.453 + 0.451) / 2 - 0.015)
    assert models.HeldVisit.objects.get().week == date(2026, 12, 28)
    request = models.NoteRequest.objects.get()
    assert request.notes == ["D#3", "F6"]
    assert request.made_at == datetime(2026, 11, 20, 10, 15, tzinfo=ZoneInfo("Europe/Vienna"))
    booking = models.Booking.objects.get()
    assert (booking.title, booking.performance) == ("An evening, by candlelight", True)


def test_the_same_folder_again_changes_nothing(folder):
    take(folder)
    before = row_counts()
    again = told(take(folder))
    assert {file: same for file, (new, changed, same) in again.items() if not (new or changed)} == {
        **NEW,
        "service_kinds.csv": 2,
    }
    assert row_counts() == before


def test_a_dry_run_tells_what_an_import_then_does(folder, tmp_path):
    dry = take(folder, dry_run=True)
    assert not any(row_counts().values())
    assert told(dry) == told(take(folder))
    other = write_folder(
        tmp_path / "other",
        rooms_csv=FILES["rooms.csv"].replace("Altbau", "Altes Haus") + "B2,,\n",
        readings_csv=FILES["readings.csv"].replace("45.3", "46") + "B2,2026-11-01T08:00,38,19\n",
        bookings_ics=FILES["bookings.ics"].replace("An evening", "A night"),
    )
    before = row_counts()
    dry = take(other, dry_run=True)
    assert row_counts() == before
    done = take(other)
    assert told(dry) == told(done)
    assert told(done)["rooms.csv"] == (1, 1, 1)
    assert told(done)["readings.csv"] == (1, 1, 2)
    assert told(done)["bookings.ics"] == (0, 1, 0)
    assert dry.changes == done.changes
    assert done.changes["rooms.csv"] == [{"key": "A1", "columns": {"building": ["Altbau", "Altes Haus"]}}]
    assert done.changes["readings.csv"] == [{"key": "Saal, 2026-11-01T07:00:00+00:00", "columns": {}}]


def test_nothing_is_ever_deleted(folder, tmp_path):
    take(folder)
    before = row_counts()
    bare = {
        name.replace(".", "_"): None for name in FILES if name not in NEW or name.startswith(("h", "p", "a"))
    }
    heads = {
        name.replace(".", "_"): FILES[name].splitlines()[0] + "\n"
        for name in ("instruments.csv", "services.csv", "readings.csv")
    }
    less = write_folder(tmp_path / "less", **(bare | heads))
    take(less)
    assert row_counts() == before


def test_a_column_that_is_not_there_changes_nothing_and_an_empty_cell_takes_the_value_away(folder, tmp_path):
    take(folder)
    head = "instrument,kind,year_built,in_service_since,room,use_class"
    short = write_folder(
        tmp_path / "short", instruments_csv=f"{head}\nG1,grand,1998,1999-01-01,Saal,concert\n"
    )
    assert told(take(short))["instruments.csv"] == (0, 0, 1)
    empty = write_folder(
        tmp_path / "empty",
        instruments_csv=f"{head},glides,pitch_hz,maker\nG1,grand,1998,1999-01-01,Saal,concert,,,\n",
    )
    assert told(take(empty))["instruments.csv"] == (0, 1, 0)
    grand = Instrument.objects.get(tag="G1")
    assert (grand.glides, grand.pitch_hz, grand.maker, grand.humidity_control) == (None, 440, "", True)


def test_columns_may_come_in_any_order(tmp_path):
    shuffled = "use,room,building\nconcert,Saal,Neubau\n,A1,Altbau\n"
    take(write_folder(tmp_path, rooms_csv=shuffled))
    assert Room.objects.get(name="Saal").building == "Neubau"


def test_optional_files_may_be_missing(tmp_path):
    optional = [name for name in FILES if name[:5] not in {"site.", "rooms", "instr", "readi", "servi"}]
    taken = take(write_folder(tmp_path, **{name.replace(".", "_"): None for name in optional}))
    assert set(taken.files) == {
        "site.csv",
        "rooms.csv",
        "instruments.csv",
        "services.csv",
        "service_kinds.csv",
        "readings.csv",
    }


def test_files_that_are_not_known_are_left_alone_and_named(folder):
    (folder / "person.csv").write_text("name\n")
    (folder / "notes.txt").write_text("")
    assert take(folder).left_alone == ["person.csv"]


def test_several_files_of_readings_are_taken_together_and_counted_each(folder):
    (folder / "readings_2.csv").write_text(
        "temperature_f,room,relative_humidity_percent,time\n"
        "68,A1,40,2026-11-02T08:00\n"
        "70.16,Saal,45.3,2026-11-01T07:00:00Z\n"
    )
    taken = take(folder)
    # 70.16 °F is 21.2 °C: the reading that readings.csv has, too.
    assert told(taken)["readings.csv"] == (3, 0, 0)
    assert told(taken)["readings_2.csv"] == (1, 0, 1)
    assert ClimateReading.objects.get(time=datetime.fromisoformat("2026-11-02T07:00Z")).temp_c == 20
    (folder / "readings_2.csv").write_text(
        "time,room,relative_humidity_percent,temperature_c\n2026-11-01T07:00Z,Saal,45.4,21.2\n"
    )
    with pytest.raises(Refused, match=r"stands in readings.csv line 2") as caught:
        take(folder)
    assert caught.value.parts[0].file == "readings_2.csv"


def test_a_service_is_known_by_instrument_kind_date_and_order(folder, tmp_path):
    take(folder)
    services = replaced("services.csv", "again before the concert", "again after it")
    assert told(take(write_folder(tmp_path / "o", services_csv=services)))["services.csv"] == (0, 1, 3)
    assert Service.objects.get(kind="tuning", order=1).note == "again after it"


def test_kinds_that_a_site_adds_get_every_use_class_and_defaults_stay(folder):
    take(folder)
    rules = ServiceRule.objects.filter(service_kind__kind="cleaning")
    assert set(rules.values_list("use_class", flat=True)) == set(defaults.USE_CLASSES)
    assert set(rules.values_list("tolerance", "weight", "hours", "interval_days")) == {(1, 2, 3, 100)}
    tuning = ServiceRule.objects.get(service_kind__kind="tuning", use_class="concert")
    # 8, 1.5 and 14: the defaults of a concert instrument, which the row leaves open.
    assert (tuning.tolerance, tuning.weight, tuning.hours, tuning.interval_days) == (1.5, 8, 1.5, 14)
    assert ServiceKind.objects.get(kind="cleaning").unit == ""


def test_the_records_of_the_defaults_are_what_a_new_site_has(tmp_path):
    site = take(write_folder(tmp_path, service_kinds_csv=None)) and Site.objects.get()
    stored = ServiceRule.objects.filter(service_kind__site=site)
    paths = ["tolerance", "weight", "hours", "interval_days"]
    kinds = ["unit", "instrument_kinds", "position", "shorter_beside", "shorter_by_hours"]
    rows = stored.values_list(
        "service_kind__kind", "use_class", *paths, *(f"service_kind__{name}" for name in kinds)
    )
    expected = {
        key: [record[name] for name in paths + kinds]
        for key, (_, record) in service_kinds.default_records().items()
    }
    assert {(kind, use): rest for kind, use, *rest in rows} == expected


def test_an_added_kind_of_instrument_can_have_what_its_model_can(tmp_path):
    folder = write_folder(
        tmp_path,
        instrument_kinds_csv="kind,behaves_like\nhybrid,grand\n",
        instruments_csv=replaced("instruments.csv", "upright", "hybrid"),
        services_csv=replaced("services.csv", "U1,regulation", "U1,bedding"),
    )
    take(folder)
    assert Service.objects.filter(instrument__tag="U1", kind="bedding").exists()


def test_a_sensor_that_is_corrected_changes_the_days_of_its_room(folder, tmp_path):
    take(folder)
    before = ClimateDay.objects.get(room__name="Saal").rh_mean
    sensors = replaced("sensors.csv", "-1.5", "2.5")
    assert told(take(write_folder(tmp_path / "o", sensors_csv=sensors)))["sensors.csv"] == (0, 1, 0)
    assert ClimateDay.objects.get(room__name="Saal").rh_mean == pytest.approx(before + 0.04)
    moved = replaced("sensors.csv", "Saal", "A1")
    take(write_folder(tmp_path / "p", sensors_csv=moved))
    assert ClimateDay.objects.get(room__name="Saal").rh_mean == pytest.approx((0.453 + 0.451) / 2)
    assert ClimateDay.objects.get(room__name="A1").rh_mean == pytest.approx(0.38 - 0.015)


def test_a_site_that_moves_to_another_zone_has_its_days_built_again(folder, tmp_path):
    late = replaced("readings.csv", "A1,2026-11-01T08:00:00+00:00", "A1,2026-11-01T22:30:00+00:00")
    take(write_folder(folder, readings_csv=late))
    assert ClimateDay.objects.get(room__name="A1").date == date(2026, 11, 1)
    offsets = late.replace("T08:00,", "T08:00+01:00,").replace("T08:30,", "T08:30+01:00,")
    east = write_folder(
        tmp_path / "o", site_csv="name,time_zone\nHaus Lindwald,Europe/Moscow\n", readings_csv=offsets
    )
    take(east)
    assert ClimateDay.objects.get(room__name="A1").date == date(2026, 11, 2)


def test_an_error_of_the_database_is_a_refusal_and_takes_everything_back(folder, monkeypatch):
    def fail(*args, **options):
        raise DatabaseError("disk full")

    monkeypatch.setattr("fleet.intake.store_readings", fail)
    with pytest.raises(Refused, match="disk full"):
        take(folder)
    assert not any(row_counts().values())


def test_two_sites_with_the_same_names_inside_do_not_mix(folder, tmp_path):
    take(folder)
    other = write_folder(tmp_path / "o", site_csv="name,time_zone\nHaus Rothenau,UTC\n")
    assert told(take(other))["instruments.csv"] == (2, 0, 0)
    assert Instrument.objects.filter(tag="G1").count() == 2
    for site in Site.objects.all():
        assert {one.room.site for one in Instrument.objects.of_site(site)} == {site}
        assert {one.service_kind.site for one in ServiceRule.objects.of_site(site)} == {site}


def test_the_number_of_queries_does_not_grow_with_the_rows(folder, tmp_path, django_assert_max_num_queries):
    rows = "".join(
        f"U1,tuning,{2000 + n // 300}-0{n % 9 + 1}-{n % 28 + 1:02d},{n % 100}\n" for n in range(1500)
    )
    many = write_folder(tmp_path / "m", services_csv=f"instrument,kind,date,found\n{rows}")
    with django_assert_max_num_queries(260):  # the history of the facts that the folder names is among them
        assert told(take(many))["services.csv"] == (1500, 0, 0)


def test_a_second_export_into_the_same_folder_replaces_the_first(folder, tmp_path):
    take(folder)
    site, out = Site.objects.get(), tmp_path / "out"
    export_folder(site, out)
    first = {file.name: file.read_bytes() for file in out.iterdir()}
    assert set(first) == set(FILES)
    models.Term.objects.all().delete()
    export_folder(site, out)
    assert (out / "terms.csv").read_text() == FILES["terms.csv"].splitlines()[0] + "\n"
    again = {file.name: file.read_bytes() for file in out.iterdir()}
    assert {name for name in first if again[name] != first[name]} == {"terms.csv"}
    assert take(out).files["terms.csv"].new == 0


def test_a_folder_with_other_readings_is_not_written_into(folder, tmp_path):
    take(folder)
    out = tmp_path / "out"
    out.mkdir()
    (out / "readings_old.csv").write_text("")
    with pytest.raises(Refused, match="readings of another export"):
        export_folder(Site.objects.get(), out)
    assert [file.name for file in out.iterdir()] == ["readings_old.csv"]


def test_columns_of_our_own_are_written_only_where_a_row_needs_them(folder, tmp_path):
    take(folder)
    site, out = Site.objects.get(), tmp_path / "out"
    export_folder(site, out)
    heads = {name: (out / name).read_text().splitlines()[0] for name in FILES if name.endswith(".csv")}
    assert heads["people.csv"] == FILES["people.csv"].splitlines()[0]
    assert heads["terms.csv"] == FILES["terms.csv"].splitlines()[0]
    assert heads["readings.csv"] == FILES["readings.csv"].splitlines()[0]
    assert not heads["services.csv"].endswith(",order")
    models.Person.objects.filter(name="Mira Tannhof").update(working_days=[0, 2])
    ClimateReading.objects.filter(room__name="A1").update(source="logger 4")
    Service.objects.filter(kind="tuning", order=0).delete()
    export_folder(site, out)
    heads = {name: (out / name).read_text().splitlines()[0] for name in FILES if name.endswith(".csv")}
    assert heads["people.csv"].endswith(",working_days")
    assert heads["readings.csv"].endswith(",source")
    assert heads["services.csv"].endswith(",order")
    assert not any(counts.new or counts.changed for counts in take(out).files.values())


def test_a_record_that_a_folder_corrects_keeps_what_it_said(folder):
    take(folder)
    assert not models.RecordChange.objects.exists()
    (folder / "services.csv").write_text(replaced("services.csv", "-3.2", "-2.8"))
    take(folder)
    change = models.RecordChange.objects.get()
    assert change.service == Service.objects.get(kind="tuning", order=0)
    assert (change.what, change.by, change.values) == (
        "corrected",
        "an import of a folder",
        {"found": [-3.2, -2.8]},
    )
