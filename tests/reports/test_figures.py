"""What the figures are told to draw."""

from __future__ import annotations

from datetime import timedelta

import pytest
from scipy import stats

from fleet.models import Service
from reports.air.days import RoomDay, room_days
from reports.air.room_figures import humidity_figure, wood_figure
from reports.figures import (
    EIGHTY_PERCENT,
    deviation_figure,
    outlook_rows,
)
from scheduling.models import Forecast
from tests import factories as make
from tests.factories import TODAY


def forecast(**fields) -> Forecast:
    weekly = [["2026-11-30", 0.10, -1.0, 2.0], ["2026-12-07", 0.25, -3.0, 2.5]]
    return Forecast(**{"kind": "tuning", "unit": "cents", "tolerance": 4.5, "weekly": weekly, **fields})


def series(figure, role):
    return [one for one in figure.series if one.role == role]


def test_the_band_holds_80_percent_of_a_normal_distribution():
    assert stats.norm.cdf(EIGHTY_PERCENT) - stats.norm.cdf(-EIGHTY_PERCENT) == pytest.approx(0.8, abs=5e-5)
    row = outlook_rows(forecast())[1]
    assert row.low == pytest.approx(-3 - 1.2816 * 2.5)
    assert row.high == pytest.approx(-3 + 1.2816 * 2.5)
    assert row.out == 0.25


def test_a_deviation_figure_holds_mean_band_both_tolerances_and_what_was_found():
    records = [
        Service(date=TODAY - timedelta(days=400), found=9.0),
        Service(date=TODAY - timedelta(days=60), found=-5.5),
        Service(date=TODAY - timedelta(days=30), found=None),
    ]
    figure = deviation_figure(forecast(), records, TODAY)
    assert series(figure, "mean")[0].y == [-1.0, -3.0]
    assert series(figure, "mean")[0].x == ["2026-11-30", "2026-12-07"]
    assert sorted(line.y[0] for line in series(figure, "tolerance")) == [-4.5, 4.5]
    assert series(figure, "found")[0].y == [-5.5]
    assert (figure.first, figure.last, figure.today) == ("2025-11-25", "2026-12-07", "2026-11-25")
    assert figure.unit == "cents"


def test_a_mark_has_one_tolerance_only():
    figure = deviation_figure(forecast(kind="voicing", unit="mark", tolerance=3.0), [], TODAY)
    assert [line.y[0] for line in series(figure, "tolerance")] == [3.0]


def test_a_forecast_without_weeks_still_makes_a_figure():
    figure = deviation_figure(forecast(weekly=[]), [], TODAY)
    assert figure.last == "2026-11-25"
    assert series(figure, "mean")[0].y == []


def test_a_room_s_days_have_no_holes_and_say_nothing_where_nothing_was_measured(db):
    room = make.make_room(make.make_site())
    make.make_climate(room, TODAY - timedelta(days=20), 5, make.steady(21.0, 0.5))
    make.make_climate(room, TODAY - timedelta(days=9), 10, make.steady(21.0, 0.5))
    days = room_days(room, TODAY)
    assert [day.day for day in days] == [TODAY - timedelta(days=n) for n in range(20, -1, -1)]
    assert [day.rh_mean for day in days] == [50.0] * 5 + [None] * 6 + [50.0] * 10
    assert days[7] == RoomDay(days[7].day, *[None] * 8)
    # Wood Handbook table 4-2 at 21.1 degC and 50 %: 9.2, printed to one decimal.
    assert days[-1].soundboard == pytest.approx(9.2, abs=0.11)
    assert humidity_figure(days, TODAY).series[0].low[0] == 47.0
    assert [one.name for one in wood_figure(days, TODAY).series] == ["soundboard", "key frame", "key bed"]


def test_a_room_shows_a_year_although_the_wood_remembers_longer(db):
    room = make.make_room(make.make_site())
    make.make_climate(room, TODAY - timedelta(days=500), 501)
    days = room_days(room, TODAY)
    assert len(days) == 365
    assert days[-1].day == TODAY


def test_the_slower_part_of_the_wood_moves_less(db):
    room = make.make_room(make.make_site())
    make.make_climate(room, TODAY - timedelta(days=460), 461, make.seasons())
    days = room_days(room, TODAY)

    def span(name):
        return max(getattr(day, name) for day in days) - min(getattr(day, name) for day in days)

    assert span("soundboard") > span("key_frame") > span("key_bed") > 0


def test_figures_reach_the_browser_as_json(read, house):
    room = house.rooms[0]
    assert '"unit": "%"' in read(f"/rooms/{room.pk}/figures/humidity/")
    assert '"role": "found"' in read(f"/instruments/{house.instruments[0].pk}/figures/tuning/")
    read(f"/rooms/{room.pk}/figures/nothing/", status=404)
    read(f"/instruments/{house.instruments[0].pk}/figures/polishing/", status=404)
