import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st

from scheduling.engine.psychrometrics import (
    STANDARD_PRESSURE,
    dew_point,
    heated_outdoor_humidity,
    humidity_ratio,
    saturation_pressure,
)


@pytest.mark.parametrize("temp_c", [1.0, 10.0, 20.0, 25.0, 30.0])
def test_saturation_pressure_agrees_with_iapws_through_coolprop(temp_c):
    expected = PropsSI("P", "T", temp_c + 273.15, "Q", 1, "Water")
    assert saturation_pressure(temp_c) == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize(
    ("temp_c", "pascal", "off"),
    [(-20.0, 103.21, 3e-3), (-10.0, 259.77, 3e-3), (0.0, 610.70, 3e-3), (20.0, 2334.75, 3e-3)]
    + [(20.0, 610.94 * np.exp(17.625 * 20.0 / 263.04), 3e-3)],
)
def test_saturation_pressure_agrees_with_other_formulas(temp_c, pascal, off):
    # MetPy 1.7.1 (over ice below freezing) and the Magnus form; the formulas differ by up to 0.3 %
    assert saturation_pressure(temp_c) == pytest.approx(pascal, rel=off)


@pytest.mark.parametrize(
    ("temp_c", "rh", "dew_c"), [(20.0, 0.5, 9.256), (21.0, 0.45, 8.608), (25.0, 0.5, 13.843)]
)
def test_dew_point_agrees_with_another_library(temp_c, rh, dew_c):
    assert dew_point(temp_c, rh) == pytest.approx(dew_c, abs=0.03)  # MetPy 1.7.1


@pytest.mark.parametrize(
    ("temp_c", "rh"), [(20.0, 0.5), (21.0, 0.45), (25.0, 0.5), (18.0, 0.25), (30.0, 0.8)]
)
def test_dew_point_agrees_with_coolprop(temp_c, rh):
    expected = HAPropsSI("D", "T", temp_c + 273.15, "P", STANDARD_PRESSURE, "R", rh) - 273.15
    assert dew_point(temp_c, rh) == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize(("temp_c", "grams"), [(10.0, 7.661), (20.0, 14.758), (25.0, 20.170), (30.0, 27.329)])
def test_saturated_humidity_ratio_agrees_with_the_handbooks_table(temp_c, grams):
    # ASHRAE Fundamentals ch. 1 Table 2, from memory, unverified; it includes the enhancement factor of 1.0044
    assert humidity_ratio(temp_c, 1.0) == pytest.approx(grams / 1000, rel=6e-3)


@pytest.mark.parametrize(
    ("out_c", "out_rh"),
    [
        (-20, 0.8),
        (-15, 0.8),
        (-10, 0.8),
        (-10, 0.7),
        (-5, 0.8),
        (0, 0.8),
        (0, 0.9),
        (5, 0.8),
        (10, 0.8),
        (15, 0.7),
    ],
)
def test_heated_outdoor_air_agrees_with_coolprop(out_c, out_rh):
    ratio = HAPropsSI("W", "T", out_c + 273.15, "P", STANDARD_PRESSURE, "R", out_rh)
    expected = HAPropsSI("R", "T", 294.15, "P", STANDARD_PRESSURE, "W", ratio)
    assert heated_outdoor_humidity(out_c, out_rh, 21.0) == pytest.approx(expected, abs=5e-4)


@given(st.floats(-15.0, 30.0), st.floats(0.05, 1.0))
def test_air_that_is_not_heated_keeps_its_humidity(temp_c, rh):
    assert heated_outdoor_humidity(temp_c, rh, temp_c) == pytest.approx(rh, abs=1e-9)


@given(st.floats(0.0, 30.0), st.floats(0.1, 0.99))
def test_air_at_its_dew_point_is_saturated(temp_c, rh):
    assert heated_outdoor_humidity(temp_c, rh, dew_point(temp_c, rh)) == pytest.approx(1.0, abs=1e-3)


def test_another_unit_system_in_the_process_changes_nothing():
    before = psychrolib.GetUnitSystem()
    try:
        psychrolib.SetUnitSystem(psychrolib.IP)
        assert dew_point(20.0, 0.5) == pytest.approx(9.27, abs=0.03)
        assert psychrolib.GetUnitSystem() == psychrolib.IP
    finally:
        psychrolib.PSYCHROLIB_UNITS = before


def test_a_whole_row_is_worked_at_once():
    heated = heated_outdoor_humidity([-10.0, 0.0], [0.8, 0.9], 21.0)
    assert heated.shape == (2,)
    assert np.all(np.diff(heated) > 0)


@pytest.mark.parametrize("work", [dew_point, humidity_ratio])
def test_a_percentage_is_refused(work):
    with pytest.raises(ValueError, match="percentage"):
        work(20.0, 50.0)
