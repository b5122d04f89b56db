"""What the generator writes: counts as promised, names that agree, faults where they should be."""

import csv
import hashlib
from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
import vobject

from fleet.demo.bookings import calendar_file
from fleet.demo.concerts import DAYS_AHEAD
from fleet.demo.folder import write_fleet
from fleet.demo.habits import KIND_DEFAULTS
from fleet.demo.papers import tables
from fleet.demo.readings import SILENT, STUCK, faults_of, instants, readings
from fleet.demo.year import parts_of, terms_between
from fleet.notes import note_number
from fleet.weeks import monday_of
from tests.fleet.demo.fleets import SMALL, TODAY


@pytest.fixture(scope="module")
def papers(demo):
    return {
        name: [dict(zip(columns, row, strict=True)) for row in rows]
        for name, (columns, rows) in tables(demo).items()
    }


@pytest.fixture(scope="module")
def written(demo):
    return {one.room.name: one for one in readings(demo)}


def newest(path, column):
    with path.open(encoding="utf-8") as file:
        return max(row[column] for row in csv.DictReader(file))


def digest(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_same_seed_and_day_give_the_same_bytes(small_folder, tmp_path):
    write_fleet(tmp_path, SMALL, TODAY)
    assert digest(tmp_path) == digest(small_folder)


def test_another_day_shifts_every_date(small_folder, tmp_path):
    write_fleet(tmp_path, SMALL, TODAY + timedelta(days=30))
    columns = {"services.csv": "date", "requests.csv": "made_at", "readings_old_house.csv": "time"}
    for name, column in columns.items():
        before, after = newest(small_folder / name, column), newest(tmp_path / name, column)
        assert before < after, name
        assert after[:10] <= (TODAY + timedelta(days=30)).isoformat()


def test_counts_are_as_promised(papers, demo):
    kinds = Counter(row["kind"] for row in papers["instruments.csv"])
    assert len(papers["instruments.csv"]) == 60
    assert len(papers["rooms.csv"]) == 30
    assert {row["building"] for row in papers["rooms.csv"]} == {"Old House", "New Hall"}
    assert kinds["grand"] + kinds["upright"] > 45
    assert kinds["harpsichord"] >= 3
    assert kinds["fortepiano"] >= 1
    assert kinds["celesta"] >= 1
    ages = [demo.line.today.year - row["year_built"] for row in papers["instruments.csv"]]
    assert min(ages) == 0
    assert max(ages) == 120
    assert Counter(row["role"] for row in papers["people.csv"]) == {
        "technician": 3,
        "administrator": 1,
        "reader": 1,
    }
    assert [row["by_contract"] for row in papers["people.csv"]].count("yes") == 1
    assert len(papers["held.csv"]) == 2


def test_names_are_unique_and_every_reference_is_known(papers):
    rooms = [row["room"] for row in papers["rooms.csv"]]
    tags = [row["instrument"] for row in papers["instruments.csv"]]
    people = [row["name"] for row in papers["people.csv"]]
    assert len(set(rooms)) == len(rooms)
    assert len(set(tags)) == len(tags)
    for name in ("services.csv", "placements.csv", "worksheets.csv", "held.csv", "requests.csv"):
        assert papers[name], name
        assert {row["instrument"] for row in papers[name]} <= set(tags), name
    for name in ("instruments.csv", "placements.csv", "sensors.csv"):
        assert {row["room"] for row in papers[name]} <= set(rooms), name
    assert {row["name"] for row in papers["absences.csv"]} <= set(people)
    assert {row["technician"] for row in papers["services.csv"]} <= set(people)


def test_records_cover_two_years_and_some_have_no_found_value(papers, demo):
    days = [row["date"] for row in papers["services.csv"]]
    assert demo.line.recorded <= min(days) < demo.line.recorded + timedelta(days=14)
    assert TODAY - timedelta(days=14) < max(days) < TODAY
    empty = np.mean([row["found"] is None for row in papers["services.csv"]])
    assert 0.05 < empty < 0.3
    by_register = [row for row in papers["services.csv"] if row["found_bass"] is not None]
    assert by_register
    assert all(row["kind"] == "tuning" for row in by_register)


def test_marks_of_voicing_stay_on_their_scale(papers):
    voicings = [row for row in papers["services.csv"] if row["kind"] == "voicing"]
    marks = [row[name] for row in voicings for name in ("found", "left") if row[name] is not None]
    assert marks
    assert all(0 <= mark <= 10 for mark in marks)


def test_services_fit_the_instrument_and_come_after_it(papers):
    instruments = {row["instrument"]: row for row in papers["instruments.csv"]}
    for row in papers["services.csv"]:
        one = instruments[row["instrument"]]
        assert row["kind"] in KIND_DEFAULTS
        assert row["kind"] != "bedding" or one["kind"] == "grand"
        assert row["date"] >= one["in_service_since"]


def test_the_mean_of_the_registers_is_the_found_offset(papers):
    registers = ("found_bass", "found_tenor", "found_middle", "found_treble")
    for row in papers["services.csv"]:
        if row["found_bass"] is not None:
            # Measured with a standard deviation of 0.4 cents each: five times that of the difference.
            assert np.mean([row[name] for name in registers]) == pytest.approx(row["found"], abs=2.3)


def test_technicians_keep_to_their_skills_and_their_hours(demo):
    skills = {one.name: one for one in demo.people}
    minutes = defaultdict(float)
    for record in demo.records:
        assert skills[record.technician].can_do(record.kind)
        minutes[record.technician] += record.minutes
    weeks = (TODAY - demo.line.recorded).days / 7
    for name, spent in minutes.items():
        assert spent / 60 / weeks < 1.2 * skills[name].hours_per_week, name


def test_a_concert_finds_its_instrument_tuned(demo):
    tuned = {(record.tag, record.day) for record in demo.records if record.kind == "tuning"}
    past = [
        (tag, one.day) for one in demo.concerts for tag in one.tags if demo.line.recorded <= one.day < TODAY
    ]
    assert np.mean([each in tuned for each in past]) > 0.75


def test_worksheets_agree_with_the_record_of_their_day(papers):
    records = {(r["instrument"], r["kind"], r["date"]): r for r in papers["services.csv"]}
    worst = defaultdict(float)
    for row in papers["worksheets.csv"]:
        key = (row["instrument"], row["kind"], row["date"])
        assert key in records
        if row["kind"] == "bedding" and row["quantity"] == "gap" and row["condition"] == "at rest":
            worst[key] = max(worst[key], abs(row["before"]))
        if row["quantity"] == "knock":
            assert row["before"] in (0.0, 1.0)
    assert worst
    for key, gap in worst.items():
        assert gap == pytest.approx(abs(records[key]["found"]), abs=0.005)  # written to a hundredth


def test_worksheet_points_are_unique(papers):
    keys = [tuple(list(row.values())[:6]) for row in papers["worksheets.csv"]]
    assert len(set(keys)) == len(keys)


def test_requests_name_notes_of_the_keyboard_and_lie_behind_today(papers):
    assert len(papers["requests.csv"]) >= 5
    for row in papers["requests.csv"]:
        assert all(note_number(note) for note in row["notes"].split())
        assert row["made_at"].date() < TODAY


def test_held_visits_lie_ahead(papers):
    for row in papers["held.csv"]:
        assert TODAY < monday_of(row["week"]) < TODAY + timedelta(days=120)


def test_terms_follow_each_other_without_a_gap_or_overlap():
    parts = terms_between(date(2024, 2, 29), date(2028, 1, 3))
    assert parts[0].first <= date(2024, 2, 29)
    assert parts[-1].last >= date(2028, 1, 3)
    for one, following in zip(parts, parts[1:], strict=False):
        assert following.first == one.last + timedelta(days=1)
    assert [part.name for part in parts_of(2026)][0] == "autumn term 2026/27"


def test_bookings_of_the_coming_months_are_read_by_another_library(demo):
    rooms = {room.name for room in demo.rooms}
    tags = {one.tag for one in demo.instruments}
    calendar = vobject.readOne(calendar_file(demo).decode())
    concerts = recurring = 0
    for event in calendar.vevent_list:
        start = event.dtstart.value
        assert event.location.value in rooms
        assert event.dtend.value > start
        assert TODAY < start.date() <= TODAY + timedelta(days=DAYS_AHEAD)
        recurring += hasattr(event, "rrule")
        if hasattr(event, "categories"):
            concerts += event.categories.value == ["PERFORMANCE"]
            assert start.hour == 19
        if hasattr(event, "x_almanac_instruments"):
            assert {told.value for told in event.x_almanac_instruments_list} <= tags
    assert concerts >= 10
    assert recurring >= 15
    assert len({event.uid.value for event in calendar.vevent_list}) == len(calendar.vevent_list)


def test_readings_end_with_yesterday_and_nobody_reads_the_future(demo):
    when = instants(demo)
    assert when[0] == datetime(2024, 11, 25, tzinfo=UTC)
    assert when[-1] == datetime(2026, 11, 24, 22, tzinfo=UTC)  # an hour before midnight at the site


def test_one_room_has_no_sensor_and_borrows_from_one_that_has(demo, written):
    without = [room for room in demo.rooms if not room.has_sensor]
    assert len(without) == 1
    assert without[0].name not in written
    assert without[0].borrows_from in written
    assert len(written) == 29


def test_a_sensor_was_stuck_for_weeks(demo, written):
    one = written[demo.rooms[faults_of(demo.spec, demo.rooms).stuck].name]
    same = (np.diff(one.tenths_c) == 0) & (np.diff(one.tenths_percent) == 0)
    assert longest(same) + 1 == STUCK[1] * 24
    others = [longest(np.diff(each.tenths_percent) == 0) for each in written.values() if each is not one]
    assert max(others) < 24


def test_a_sensor_was_silent_for_weeks(demo, written):
    silent = demo.rooms[faults_of(demo.spec, demo.rooms).silent].name
    for name, one in written.items():
        gap = np.diff(one.positions).max() - 1
        assert (gap >= SILENT[1] * 24) == (name == silent)
        assert name == silent or gap < 20


def test_a_sensor_jumps_and_comes_back(demo, written):
    jumping = demo.rooms[faults_of(demo.spec, demo.rooms).jumping].name
    for name, one in written.items():
        step = np.diff(one.tenths_percent)
        jumps = (step[:-1] > 250) & (step[1:] < -250)
        assert jumps.sum() == (5 if name == jumping else 0)


def test_what_a_sensor_check_showed_is_what_it_reads_too_much(demo, written, papers):
    start = demo.line.index(demo.line.recorded) * 24
    known = {row["room"]: row["humidity_offset_percent"] for row in papers["sensors.csv"]}
    corrected = [name for name, value in known.items() if value]
    assert len(corrected) == 2
    for name in corrected:
        number = [room.name for room in demo.rooms].index(name)
        one = written[name]
        hourly = demo.air.rh[number, start:]
        off = one.tenths_percent / 10 + known[name] - 100 * hourly[one.positions]
        assert abs(off.mean()) < 0.1


def longest(flags):
    """Longest run of true values."""
    runs = np.diff(np.flatnonzero(np.concatenate(([True], ~flags, [True])))) - 1
    return int(runs.max())
