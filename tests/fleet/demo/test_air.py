"""The invented weather and what it becomes in the rooms."""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest

from fleet.demo.house import plan_rooms
from fleet.demo.indoor import following, indoor_air
from fleet.demo.spec import DEMO, Timeline
from fleet.demo.weather import (
    PRESSURE_PA,
    humidity_ratio,
    outdoor_air,
    relative_humidity,
    saturation_pressure,
)
from tests.fleet.demo.fleets import SMALL, TODAY


def by_month(demo):
    return np.repeat([day.month for day in demo.line.days()], 24)


# IAPWS formulation through CoolProp 8.0: temperature [degC] to pressure [Pa].
IAPWS = {10: 1228.20, 20: 2339.32, 21: 2488.22, 25: 3169.93, 30: 4246.97}


@pytest.mark.parametrize("temp_c, pascal", IAPWS.items())
def test_saturation_pressure_is_that_of_iapws(temp_c, pascal):
    # The Magnus form claims 0.4 %.
    assert saturation_pressure(temp_c) == pytest.approx(pascal, rel=0.004)


@pytest.mark.parametrize("temp_c, rh", [(5.0, 0.8), (21.0, 0.25), (26.0, 0.6)])
def test_humidity_agrees_with_psychrolib_there_and_back(temp_c, rh):
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = humidity_ratio(rh * saturation_pressure(temp_c))
    assert ratio == pytest.approx(psychrolib.GetHumRatioFromRelHum(temp_c, rh, PRESSURE_PA), rel=0.004)
    assert relative_humidity(ratio, temp_c) == pytest.approx(rh, abs=1e-12)


def test_outdoor_air_is_cold_in_winter_and_never_beyond_saturation(demo):
    air = outdoor_air(demo.spec, demo.line)
    month = by_month(demo)
    assert air.temp_c[month == 1].mean() < 2 < 16 < air.temp_c[month == 7].mean()
    assert (relative_humidity(air.humidity_ratio, air.temp_c) <= 1 + 1e-9).all()


def test_every_room_is_drier_in_the_heating_season_than_in_summer(demo):
    month = by_month(demo)
    heated = np.isin(month, (12, 1, 2))
    summer = np.isin(month, (6, 7, 8))
    assert (demo.air.rh[:, heated].mean(axis=1) < demo.air.rh[:, summer].mean(axis=1) - 0.1).all()


def test_the_old_house_is_drier_in_winter_and_swings_more_than_the_humidified_hall(demo):
    old = np.array([room.building == "Old House" and room.use_class != "store" for room in demo.rooms])
    new = np.array([room.building == "New Hall" for room in demo.rooms])
    winter = demo.air.rh[:, np.isin(by_month(demo), (12, 1, 2))]
    assert winter[old].mean() < 0.30 < winter[new].mean()
    assert demo.air.rh[old].std(axis=1).min() > demo.air.rh[new].std(axis=1).max()


def test_without_a_climate_swing_there_is_no_season():
    # Ten years, since a warm summer or two remain by chance; 2 % of humidity is what chance leaves of it.
    spec = replace(SMALL, climate_swing=0.0, years=10)
    line = Timeline.of(spec, TODAY)
    air = indoor_air(spec, line, plan_rooms(spec), outdoor_air(spec, line), np.ones(line.n_days))
    swing = 2 * np.abs((air.rh * np.exp(1j * line.year_phase())).mean(axis=1))
    assert swing.max() < 0.02


def test_a_lag_starts_settled_and_keeps_a_constant():
    assert following(np.full(50, 7.0), 12.0) == pytest.approx(7.0, abs=1e-12)


def test_a_lag_reaches_63_percent_of_a_step_after_its_time_constant():
    step = np.r_[0.0, np.ones(200)]
    assert following(step, 40.0)[40] == pytest.approx(1 - np.exp(-1), abs=1e-12)


def test_a_spec_that_makes_no_sense_is_refused():
    for wrong in ({"n_instruments": 0}, {"reading_minutes": 7}, {"climate_swing": -1.0}, {"days_after": -1}):
        with pytest.raises(ValueError, match=r"needs|divisor|negative"):
            replace(DEMO, **wrong)
