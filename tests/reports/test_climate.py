"""Pages of a room's climate and of rooms side by side, on invented readings whose figures can be said."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from fleet import intake, sensors
from fleet.local_time import HOUR, micros
from reports.air.climate import calendar_of, climate_of, tint_of
from reports.air.comparing import room_years
from reports.air.days import room_days, shown_days
from reports.air.readings import record_of
from scheduling.engine.psychrometrics import dew_point
from tests import factories as make
from tests.factories import TODAY

HOURS = 400 * 24


@pytest.fixture
def hall(db):
    """Four hundred days of hours in UTC with a season and a week's weather; the last hour is noon today."""
    room = make.make_room(make.make_site(), "Elm Hall")
    end = micros(datetime(2026, 11, 25, 7, tzinfo=UTC))
    times = end - np.arange(HOURS)[::-1] * HOUR
    at = np.arange(HOURS) / 24
    rng = np.random.default_rng(11)
    rh = 0.45 + 0.12 * np.sin(2 * np.pi * at / 365) + 0.07 * np.sin(2 * np.pi * at / 6.5)
    rh = np.round(rh + rng.normal(0, 0.01, HOURS), 4)
    intake.store_readings(room.site, np.full(HOURS, room.pk), times, 20 + rh, rh)
    return room


def test_the_band_of_the_page_is_that_of_pandas_on_the_same_readings(hall):
    climate = climate_of(hall, TODAY)
    rows = pd.DataFrame(hall.readings.order_by("time").values("time", "rh", "doubt"))
    first = pd.Timestamp("2025-10-26", tz="Europe/Vienna")  # 395 days before the day
    series = rows[(rows["doubt"] == "") & (rows["time"] >= first)].set_index("time")["rh"]
    average = series.rolling("30D", center=True, closed="both").mean()
    half = pd.Timedelta(days=15)
    inside = (series.index - series.index[0] >= half) & (series.index[-1] - series.index >= half)
    low, high = (series - average)[inside].quantile([0.07, 0.93])
    assert (climate.band.lowest, climate.band.highest) == (pytest.approx(low), pytest.approx(high))
    assert climate.band.outside_before_floor == pytest.approx(0.14, abs=1e-3)
    assert climate.band.by_the_standard
    assert climate.season_low == pytest.approx(average[inside].min())


def test_a_check_of_the_sensor_reaches_the_climate_but_not_the_readings(hall):
    before = climate_of(hall, TODAY).reached.set_point_rh
    sensor = sensors.place(hall.site, "S", hall, date(2025, 1, 1))
    sensors.check(sensor, [sensors.Point(0.753, 0.733)], TODAY, date(2025, 1, 1))
    assert climate_of(hall, TODAY).reached.set_point_rh == pytest.approx(before + 0.02, abs=1e-6)


def test_a_record_has_local_times_and_leaves_doubtful_readings_out(hall):
    hall.readings.filter(time=datetime(2026, 11, 25, 5, tzinfo=UTC)).update(doubt="jump")
    record = record_of(hall, TODAY, TODAY)
    assert record.stamps() == [f"2026-11-25T{hour:02}:00" for hour in (0, 1, 2, 3, 4, 5, 7, 8)]


def test_days_have_their_dew_point_by_a_psychrometric_library(hall):
    day = room_days(hall, TODAY)[-3]
    assert day.dew_c == pytest.approx(float(dew_point(day.temp_c, day.rh_mean / 100)), abs=0.02)


def test_the_calendar_has_thirteen_months_whose_days_exist(hall):
    months = calendar_of(hall, TODAY)
    assert [month.name for month in months[:2]] == ["Nov 2026", "Oct 2026"]
    assert len(months) == 13
    by_name = {month.name: month for month in months}
    assert [day is None for day in by_name["Feb 2026"].days].count(True) == 3
    assert by_name["Nov 2026"].days[28].rh is None  # still to come
    day = hall.climate_days.get(date=date(2026, 2, 3))
    assert by_name["Feb 2026"].days[2].rh == pytest.approx(100 * day.rh_mean)
    assert [tint_of(rh) for rh in (5, 20, 45, 55, 99)] == [1, 2, 5, 7, 9]


def test_rooms_side_by_side_have_the_figures_of_their_days(hall):
    make.make_climate(
        make.make_room(hall.site, "Calm"), TODAY - timedelta(days=300), 300, make.steady(21, 0.45)
    )
    make.make_climate(make.make_room(hall.site, "New"), TODAY - timedelta(days=30), 30)
    years = {year.room.name: year.figures for year in room_years(hall.site, TODAY)}
    assert set(years) == {"Elm Hall", "Calm"}
    calm = years["Calm"]
    # Days at 45 %, from 42 to 48 each: the wood stays, nothing leaves a band of 10 %, AA allows 5 and 2 K.
    assert (calm.mean, calm.driest, calm.dampest) == pytest.approx((0.45, 0.42, 0.48))
    assert (calm.daily_swing, calm.wood_swing) == pytest.approx((0.06, 0.0), abs=1e-9)
    assert (calm.outside, calm.climate_class, calm.days) == (0.0, "AA", 300)
    assert years["Elm Hall"].wood_swing > 0.02


def test_a_room_without_a_sensor_shows_outdoor_air_heated(db):
    """0 °C at 80 % heated to 21 °C: 19.65 % by PsychroLib and CoolProp."""
    site = make.make_site()
    yard = make.make_room(site, "Yard", outdoors=True)
    between = make.make_room(site, "Between", borrows_from=yard)
    attic = make.make_room(site, "Attic", borrows_from=between)
    make.make_climate(yard, TODAY - timedelta(days=9), 10, make.steady(0.0, 0.8))
    shown = shown_days(attic, TODAY)
    assert (shown.lender, shown.heated) == (yard, True)
    assert shown.days[-1].rh_mean == pytest.approx(19.65, abs=0.05)
    assert shown.days[-1].temp_c == 21.0


def test_the_pages_say_what_they_show(client, hall):
    client.force_login(make.make_user(hall.site))
    page = client.get(f"/rooms/{hall.pk}/climate/").content.decode()
    for said in ("after EN 15757", "Class C:", "Nov 2026", "average of thirty days"):
        assert said in page, said
    assert "first idea" not in page
    figure = client.get(f"/rooms/{hall.pk}/figures/band/").json()
    assert [one["role"] for one in figure["series"]] == ["band", "second", "mean"]
    for span, count in (("week", 7 * 24 - 16), ("season", 122), ("year", 365), ("years", 400)):
        page = client.get(f"/rooms/{hall.pk}/?span={span}")
        assert page.status_code == 200
        figure = client.get(f"/rooms/{hall.pk}/figures/temperature/?span={span}").json()
        assert len(figure["series"][1]["x"]) == pytest.approx(count, abs=1), span
    assert "Elm Hall" in client.get(f"/rooms/compare/?room={hall.pk}").content.decode()
    assert client.get(f"/rooms/compare/figure/?room={hall.pk}").json()["series"][0]["name"] == "Elm Hall"


def test_a_short_record_is_called_a_first_idea_and_none_asks_for_a_file(client, hall):
    client.force_login(make.make_user(hall.site))
    hall.readings.filter(time__lt=datetime(2026, 8, 1, tzinfo=UTC)).delete()
    assert "a first idea, not a finding" in client.get(f"/rooms/{hall.pk}/climate/").content.decode()
    bare = make.make_room(hall.site, "Bare")
    page = client.get(f"/rooms/{bare.pk}/climate/").content.decode()
    assert "no readings of this room" in page
    assert client.get(f"/rooms/{bare.pk}/figures/band/").json()["series"][0]["x"] == []


def test_whose_air_stands_in_is_chosen_on_the_page(client, hall):
    client.force_login(make.make_user(hall.site))
    bare = make.make_room(hall.site, "Bare")
    client.post(f"/rooms/{bare.pk}/lender/", {"lender": hall.pk})
    assert "What follows is the air of Elm Hall." in client.get(f"/rooms/{bare.pk}/").content.decode()
    client.post(f"/rooms/{hall.pk}/lender/", {"lender": "", "outdoors": "on"})
    assert "a lower bound in winter" in client.get(f"/rooms/{bare.pk}/").content.decode()
