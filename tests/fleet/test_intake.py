"""Taking in readings: stored as the models store them, once an instant, whatever the order they come in."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from fleet import bulk, intake
from fleet.local_time import HOUR, SECOND, instant_of, micros
from fleet.models import ClimateDay, ClimateReading, Room, Sensor, Site
from fleet.quality import DOUBTS, doubts
from fleet.refusal import Refused
from fleet.sites import create_site

pytestmark = pytest.mark.django_db
START = micros(datetime(2026, 3, 1, tzinfo=UTC))


@pytest.fixture
def site() -> Site:
    return create_site("Haus Lindwald", "Europe/Vienna")


@pytest.fixture
def room(site) -> Room:
    return Room.objects.create(site=site, name="Saal")


def air(count: int, step: int = HOUR // 2, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times and a moving room's air."""
    rng = np.random.default_rng(seed)
    return START + np.arange(count) * step, 21 + rng.normal(0, 0.3, count), rng.uniform(0.4, 0.5, count)


def take(room: Room, times, temp_c, rh, source="") -> intake.ReadingCounts:
    return intake.store_readings(room.site, np.full(len(times), room.pk), times, temp_c, rh, source)


def told(counts: intake.ReadingCounts) -> tuple[int, int, int]:
    return counts.new, counts.changed, counts.same


def stored(room: Room) -> list[tuple]:
    return list(room.readings.order_by("time").values_list("time", "temp_c", "rh", "doubt"))


def days(room: Room) -> list[dict]:
    return list(room.climate_days.order_by("date").values())


def without_id(rows: list[dict]) -> list[dict]:
    return [{name: value for name, value in row.items() if name != "id"} for row in rows]


@pytest.mark.parametrize("fraction", [0, 1, 250_000, 999_999])
def test_readings_stored_in_bulk_are_those_that_the_models_store(room, fraction):
    when = datetime(2026, 3, 1, 8, 0, 7, fraction, tzinfo=UTC)
    other = Room.objects.create(site=room.site, name="A1")
    ClimateReading.objects.create(room=other, time=when, temp_c=20.1, rh=1 / 3, source="by hand")
    take(room, np.array([micros(when)]), np.array([20.1]), np.array([1 / 3]), "by hand")
    found, by_model = (
        ClimateReading.objects.filter(room=one).values_list("time", "temp_c", "rh", "source", "doubt").get()
        for one in (room, other)
    )
    assert found == by_model
    # The models find, and replace, what was stored in bulk, and the other way round.
    assert ClimateReading.objects.get(room=room, time=when).rh == 1 / 3
    _, created = ClimateReading.objects.update_or_create(
        room=room, time=when, defaults={"temp_c": 19.0, "rh": 0.5}
    )
    assert not created
    assert told(take(other, np.array([micros(when)]), np.array([19.5]), np.array([0.5]))) == (0, 1, 0)
    assert ClimateReading.objects.count() == 2
    assert bulk.read_series(room.pk).times.tolist() == [micros(when)]


def test_readings_read_in_bulk_are_those_stored_to_the_last_bit(room):
    times, temp_c, rh = air(300)
    times = times + np.arange(300) % 7
    take(room, times, temp_c, rh)
    series = bulk.read_series(room.pk)
    assert series.times.tolist() == times.tolist()
    assert series.temp_c.tolist() == temp_c.tolist()
    assert series.rh.tolist() == rh.tolist()
    part = bulk.read_series(room.pk, int(times[10]), int(times[20]))
    assert part.times.tolist() == times[10:21].tolist()


def test_the_same_readings_again_change_nothing(room):
    readings = air(100)
    assert told(take(room, *readings)) == (100, 0, 0)
    before = stored(room), days(room)
    assert told(take(room, *readings)) == (0, 0, 100)
    assert (stored(room), days(room)) == before


def test_new_changed_and_same_readings_are_told_apart(room):
    times, temp_c, rh = air(100)
    take(room, times[:80], temp_c[:80], rh[:80])
    rh = rh.copy()
    rh[[5, 50]] += 0.01
    counts = take(room, times, temp_c, rh)
    assert told(counts) == (20, 2, 78)
    assert counts.examples == [(room.pk, times[5]), (room.pk, times[50])]
    assert bulk.read_series(room.pk).rh.tolist() == rh.tolist()


def test_comparing_counts_the_same_and_stores_nothing(room):
    times, temp_c, rh = air(50)
    take(room, times[:30], temp_c[:30], rh[:30])
    counts = intake.compare_readings(room.site, np.full(50, room.pk), times, temp_c + 1, rh)
    assert told(counts) == (20, 30, 0)
    assert ClimateReading.objects.count() == 30


def faulty(count: int = 900) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return air with a stuck stretch of a week, a short one, and jumps on every kind of edge."""
    times, temp_c, rh = air(count)
    for run in (slice(100, 436), slice(500, 530), slice(700, 720)):
        temp_c[run], rh[run] = 20.5, 0.48
    rh[[5, 437, 600, 601, 760]] = 0.95
    return times, temp_c, rh


@pytest.mark.parametrize("seed", range(6))
def test_doubts_and_days_do_not_depend_on_the_pieces_in_which_readings_come(room, seed):
    times, temp_c, rh = faulty()
    whole = Room.objects.create(site=room.site, name="taken at once")
    take(whole, times, temp_c, rh)
    rng = np.random.default_rng(seed)
    # In runs from one end, in runs in any order, and singly mixed.
    piece = [np.arange(900) // 37, rng.permutation(25)[np.arange(900) // 37], rng.integers(0, 9, 900)][
        seed % 3
    ]
    for number in np.unique(piece):
        rows = piece == number
        take(room, times[rows], temp_c[rows], rh[rows])
    assert stored(room) == stored(whole)
    expected = doubts(times, temp_c, rh)
    assert {DOUBTS[code] for code in expected} == set(DOUBTS)
    assert [doubt for *_, doubt in stored(room)] == [DOUBTS[code] for code in expected]
    mine = [{**row, "room_id": 0} for row in without_id(days(room))]
    assert mine == [{**row, "room_id": 0} for row in without_id(days(whole))]


def test_a_correction_clears_the_doubt_and_brings_the_day_back(room):
    times, temp_c, rh = faulty()
    take(room, times, temp_c, rh)
    assert room.climate_days.filter(hours_covered=0, rh_mean=None).exists()
    counts = take(room, times, temp_c, air(900)[2])
    assert counts.changed > 300
    assert not ClimateReading.objects.exclude(doubt="").exists()
    assert not room.climate_days.filter(hours_covered=0).exists()


def test_doubtful_readings_are_kept_and_never_used(room):
    times, temp_c, rh = air(48)
    rh[20] = 0.99
    counts = take(room, times, temp_c, rh)
    assert counts.doubtful == 1
    assert room.readings.get(time=instant_of(times[20])).rh == 0.99
    day = room.climate_days.get(date=date(2026, 3, 1))
    assert day.doubtful == 1
    assert day.rh_max < 0.6


def test_only_the_days_that_are_touched_are_built_again(room):
    times, temp_c, rh = air(480)
    take(room, times, temp_c, rh)
    ClimateDay.objects.update(rh_mean=0.123)
    take(room, times[250:251], temp_c[250:251], rh[250:251] + 0.01)
    rebuilt = ClimateDay.objects.exclude(rh_mean=0.123)
    local_day = room.site.local_date(instant_of(times[250]))
    assert list(rebuilt.values_list("date", flat=True)) == [local_day]


def test_days_are_those_of_the_site_and_not_of_utc(room):
    evening = micros(datetime(2026, 3, 1, 23, 30, tzinfo=UTC))
    take(room, np.array([evening]), np.array([20.0]), np.array([0.4]))
    assert room.climate_days.get().date == date(2026, 3, 2)


def test_the_offset_of_the_sensor_in_the_room_is_added_on_its_days_and_the_reading_is_kept(room):
    for first, last, offset in ((1, 3, 0.02), (4, None, -0.01)):
        Sensor.objects.create(
            site=room.site,
            name=f"S{first}",
            room=room,
            first_day=date(2026, 3, first),
            last_day=date(2026, 3, last) if last else None,
            humidity_offset=offset,
        )
    times = START + np.arange(6 * 24) * HOUR
    take(room, times, 20 + np.arange(144) / 100, np.full(144, 0.5))
    means = dict(room.climate_days.values_list("date", "rh_mean"))
    for day, rh in ((1, 0.52), (3, 0.52), (4, 0.49), (6, 0.49)):
        assert means[date(2026, 3, day)] == pytest.approx(rh)
    assert set(room.readings.values_list("rh", flat=True)) == {0.5}


def test_rebuilding_brings_days_and_doubts_back_to_what_the_readings_say(room):
    take(room, *faulty())
    before = stored(room), without_id(days(room))
    ClimateDay.objects.filter(room=room).delete()
    ClimateReading.objects.filter(room=room).update(doubt="jump")
    intake.rebuild_days(room)
    assert (stored(room), without_id(days(room))) == before


def test_rebuilding_some_days_leaves_the_others_and_drops_days_without_readings(room):
    times, temp_c, rh = air(480)
    take(room, times, temp_c, rh)
    ClimateDay.objects.update(rh_mean=0.123)
    ClimateReading.objects.filter(time__date=date(2026, 3, 4)).delete()
    first, last = date(2026, 3, 3), date(2026, 3, 5)
    intake.rebuild_days(room, first, last)
    rebuilt = ClimateDay.objects.exclude(rh_mean=0.123)
    # The emptied day is one of UTC, so that an hour of it is left on the local day.
    assert set(rebuilt.values_list("date", flat=True)) == {first, date(2026, 3, 4), last}
    ClimateReading.objects.filter(room=room).delete()
    intake.rebuild_days(room, first, last)
    assert not room.climate_days.filter(date__range=(first, last)).exists()
    assert room.climate_days.exists()
    intake.rebuild_days(room)
    assert not room.climate_days.exists()


def test_one_reading_reads_a_bounded_stretch_of_a_long_series(
    room, monkeypatch, django_assert_max_num_queries
):
    times, temp_c, rh = air(20_000)
    take(room, times, temp_c, rh)
    seen = []
    whole = bulk.read_series

    def counting(*bounds):
        series = whole(*bounds)
        seen.append(len(series.times))
        return series

    monkeypatch.setattr(bulk, "read_series", counting)
    with django_assert_max_num_queries(20):
        take(room, times[-1:] + HOUR // 2, temp_c[:1], rh[:1])
    assert max(seen) < 200


@pytest.mark.parametrize(
    ("quantity", "value"),
    [("rh", -0.01), ("rh", 1.01), ("rh", 45.0), ("rh", np.nan), ("temp_c", -41.0), ("temp_c", np.inf)],
)
def test_impossible_values_are_refused_and_nothing_is_stored(room, quantity, value):
    times, temp_c, rh = air(10)
    {"rh": rh, "temp_c": temp_c}[quantity][4] = value
    with pytest.raises(Refused, match=f"column {quantity}: an impossible reading"):
        take(room, times, temp_c, rh)
    assert not ClimateReading.objects.exists()


def test_two_different_readings_of_one_instant_are_refused_and_equal_ones_are_one(room):
    times, temp_c, rh = air(10)
    twice = np.append(times, times[3]), np.append(temp_c, temp_c[3])
    with pytest.raises(Refused, match="two different readings"):
        take(room, *twice, np.append(rh, rh[3] + 0.01))
    assert told(take(room, *twice, np.append(rh, rh[3]))) == (10, 0, 0)


def test_rooms_of_another_site_are_refused(room):
    other = Room.objects.create(site=create_site("Anderswo", "UTC"), name="Saal")
    times, temp_c, rh = air(4)
    with pytest.raises(Refused, match="not of this site"):
        intake.store_readings(room.site, np.array([room.pk] * 3 + [other.pk]), times, temp_c, rh)
    assert not ClimateReading.objects.exists()


def test_sources_and_progress_are_told(room):
    times, temp_c, rh = air(3)
    lines = []
    intake.store_readings(
        room.site,
        np.full(3, room.pk),
        times[::-1],
        temp_c,
        rh,
        np.array(["c", "b", "a\tb\\"], object),
        lines.append,
    )
    assert list(room.readings.order_by("time").values_list("source", flat=True)) == ["a\tb\\", "b", "c"]
    assert lines == ["readings: 3 of 3 stored"]


def test_readings_of_many_rooms_come_mixed(site):
    rooms = [Room.objects.create(site=site, name=f"R{number}") for number in range(5)]
    times, temp_c, rh = air(200)
    pick = np.random.default_rng(2).integers(0, 5, 200)
    ids = np.array([room.pk for room in rooms])[pick]
    assert told(intake.store_readings(site, ids, times, temp_c, rh)) == (200, 0, 0)
    for number, room in enumerate(rooms):
        assert bulk.read_series(room.pk).rh.tolist() == rh[pick == number].tolist()


def test_an_instant_before_1970_is_stored_too(room):
    when = datetime(1969, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC)
    take(room, np.array([micros(when)]), np.array([20.0]), np.array([0.5]))
    assert room.readings.get().time == when
    assert bulk.read_series(room.pk).times.tolist() == [-1]
    assert instant_of(-SECOND) == datetime(1970, 1, 1, tzinfo=UTC) - timedelta(seconds=1)
