"""Daily wood moisture as the ribbon and the figures show it."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from reports.wood import AirDay, calendar, wood_moisture

START = date(2026, 1, 1)


def air(*humidities: float) -> list[AirDay]:
    return [AirDay(START + timedelta(days=n), 21.0, rh) for n, rh in enumerate(humidities)]


def test_steady_air_gives_the_handbook_s_moisture_at_once_and_for_good():
    # Wood Handbook (FPL-GTR-282, 2021) table 4-2, row 21.1 degC, 50 %: 9.2 %, printed to one decimal; the
    # equation stays within 0.06 of the table.
    moisture = wood_moisture(air(*[0.5] * 40), 6.0)
    assert list(moisture.values()) == pytest.approx([0.092] * 40, abs=0.0005 + 0.0006)
    assert np.ptp(list(moisture.values())) < 1e-12


def test_after_one_time_constant_of_days_63_percent_of_a_step_has_arrived():
    moisture = wood_moisture(air(*[0.35] * 5, *[0.55] * 60), 6.0)
    before, after = moisture[START], moisture[START + timedelta(days=64)]
    arrived = (moisture[START + timedelta(days=4 + 6)] - before) / (after - before)
    assert arrived == pytest.approx(1 - np.exp(-1), abs=0.001)


def test_no_air_no_moisture():
    assert wood_moisture([], 6.0) == {}


def test_a_percentage_where_a_fraction_is_meant_is_refused():
    with pytest.raises(ValueError, match="percentage"):
        wood_moisture(air(45.0), 6.0)


def test_a_calendar_holds_every_day_once():
    days = calendar(date(2028, 2, 27), date(2028, 3, 1))
    assert [day.day for day in days] == [27, 28, 29, 1]
