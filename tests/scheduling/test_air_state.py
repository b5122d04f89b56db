"""Silent and doubtful sensors, since when, and what it does to the forecasts."""

from __future__ import annotations

from datetime import timedelta

import pytest

from fleet.models import Sensor
from scheduling.air_state import air_troubles, drift_sentences, humidity_doubt
from scheduling.week_air import air_notes
from tests import factories as make
from tests.factories import TODAY

pytestmark = pytest.mark.django_db


def days_ago(days: int):
    return TODAY - timedelta(days=days)


@pytest.fixture
def room():
    room = make.make_room(make.make_site(), "Elm Hall")
    make.make_instrument(room)
    return room


def troubles(room):
    return [(one.word, one.since) for one in air_troubles(room.site, TODAY)]


def test_a_fresh_record_without_gaps_has_no_trouble(room):
    make.make_climate(room, days_ago(60), 61)
    assert troubles(room) == []


def test_a_silent_room_is_named_with_its_first_day_and_what_it_does(room):
    make.make_climate(room, days_ago(60), 51)  # the last day with readings is ten days ago
    (one,) = air_troubles(room.site, TODAY)
    assert (one.word, one.since, one.instruments) == ("silent", days_ago(9), 1)
    assert one.sentence == "Nothing has come since then."
    # Half of 80 %: 1.2816 · 0.04 · sqrt(1 − 0.88²⁰), priors of the room's weather: 4.9 % humidity.
    assert one.doubt == pytest.approx(0.0493, abs=5e-4)
    assert "within ± 5 %" in one.effect


def test_a_sensor_that_sends_only_what_cannot_be_is_silent_too(room):
    make.make_climate(room, days_ago(60), 61)
    room.climate_days.filter(date__gt=days_ago(5)).update(hours_covered=0, rh_mean=None, doubtful=24)
    (one,) = air_troubles(room.site, TODAY)
    assert (one.word, one.since) == ("silent", days_ago(4))
    assert "still sends" in one.sentence


def test_doubtful_readings_and_gaps_are_named_since_they_began(room):
    make.make_climate(room, days_ago(60), 61)
    room.climate_days.filter(date__in=[days_ago(20), days_ago(3), days_ago(2)]).update(doubtful=2)
    assert troubles(room) == [("doubtful", days_ago(3))]
    room.climate_days.filter(date__gt=days_ago(15), date__lt=days_ago(9)).update(hours_covered=3, doubtful=0)
    assert ("gaps", days_ago(14)) in troubles(room)


def test_a_sensor_that_leaves_its_neighbours_is_drifting(room):
    for name in ("A", "B", "C"):
        make.make_climate(make.make_room(room.site, name), days_ago(84), 84)
    seasons = make.seasons()

    def leaving(day):
        temp_c, rh = seasons(day)
        return temp_c, rh + 0.12 * (1 - (TODAY - day).days / 84)

    make.make_climate(room, days_ago(84), 84, leaving)
    (one,) = [one for one in air_troubles(room.site, TODAY) if one.word == "drifting"]
    assert one.room == room
    assert "+12 %" in one.sentence
    ((named, line),) = drift_sentences(room.site, TODAY)
    assert named == room
    assert line.startswith("its sensor has been leaving its neighbours since ")
    assert any("leaving its neighbours" in note.sentence for note in air_notes(room.site, TODAY))
    room.outdoors = True
    room.save()
    assert not [one for one in air_troubles(room.site, TODAY) if one.word == "drifting"]


def test_a_sensor_taken_away_is_missed_by_nobody(room):
    make.make_climate(room, days_ago(60), 31)
    last = days_ago(30)
    Sensor.objects.create(site=room.site, name="S", room=room, first_day=days_ago(60), last_day=last)
    assert troubles(room) == []


def test_doubt_grows_with_the_days_and_never_beyond_the_room_s_weather():
    doubts = [humidity_doubt(days) for days in range(60)]
    assert doubts[0] == 0
    assert doubts == sorted(doubts)
    assert doubts[-1] <= 1.2816 * 0.04
