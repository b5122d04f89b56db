from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.priors import MOISTURE_PER_HUMIDITY

# The printed table has one decimal (0.05) and the temperatures are rounded from whole degF (0.01 more)
TABLE_ROUNDING = 0.0006


def printed_table():
    lines = (Path(__file__).parents[2] / "data" / "wood_moisture.csv").read_text().splitlines()
    rows = [line.split(",") for line in lines if not line.startswith("#")]
    humidity = np.array(rows[0][1:], float) / 100
    values = np.array(rows[1:], float)
    return values[:, 0], humidity, values[:, 1:] / 100


def test_the_equation_reproduces_the_printed_table():
    temp, humidity, printed = printed_table()
    assert printed.shape == (8, 19)
    np.testing.assert_allclose(
        equilibrium_moisture(temp[:, None], humidity[None, :]), printed, atol=TABLE_ROUNDING
    )


@pytest.mark.parametrize(
    ("temp_c", "rh_percent", "moisture_percent"),
    [
        (21.1, 5, 1.3), (21.1, 30, 6.2), (21.1, 50, 9.2), (21.1, 75, 14.4), (21.1, 85, 17.9),
        (21.1, 95, 23.9), (-1.1, 75, 14.9), (-1.1, 95, 24.3), (37.8, 50, 8.7), (37.8, 90, 19.5),
    ],
)  # fmt: skip
def test_the_cells_quoted_elsewhere_from_the_table_agree(temp_c, rh_percent, moisture_percent):
    found = equilibrium_moisture(temp_c, rh_percent / 100)
    assert found == pytest.approx(moisture_percent / 100, abs=TABLE_ROUNDING)


@pytest.mark.parametrize(("rh", "percent"), [(0.75, 15), (0.80, 16), (0.85, 18), (0.90, 21), (0.95, 24)])
def test_a_trade_bodys_own_table_at_20_degrees_agrees_within_its_rounding(rh, percent):
    # Swedish wood trade body's table, quoted in a fact sheet; whole percents, and another wood: 0.6 allowed
    assert equilibrium_moisture(20.0, rh) == pytest.approx(percent / 100, abs=0.006)


def test_wood_at_20_degrees_and_65_percent_is_in_service_class_one():
    # EN 1995-1-1 (Eurocode 5), 2.3.1.3: mean softwood moisture at most 12 % at 20 degC and 65 %
    assert equilibrium_moisture(20.0, 0.65) == pytest.approx(0.12, abs=0.0005)


def moisture_by_the_fahrenheit_form(temp_f, h):
    """Wood Handbook (2021), Eq. 4-5, constants for degF as two second-hand texts quote them."""
    w = 330 + 0.452 * temp_f + 0.00415 * temp_f**2
    k = 0.791 + 0.000463 * temp_f - 8.44e-7 * temp_f**2
    k1 = 6.34 + 0.000775 * temp_f - 0.0000935 * temp_f**2
    k2 = 1.09 + 0.0284 * temp_f - 0.0000904 * temp_f**2
    bound = (k1 * k * h + 2 * k1 * k2 * k**2 * h**2) / (1 + k1 * k * h + k1 * k2 * k**2 * h**2)
    return 18.0 / w * (k * h / (1 - k * h) + bound)


@pytest.mark.parametrize("temp_c", [0.0, 15.0, 21.0, 30.0])
def test_the_handbooks_form_for_fahrenheit_says_the_same(temp_c):
    humidity = np.linspace(0.1, 0.9, 9)
    expected = moisture_by_the_fahrenheit_form(temp_c * 1.8 + 32, humidity)
    # constants of three digits in both forms: 0.05 % of moisture apart at most
    np.testing.assert_allclose(equilibrium_moisture(temp_c, humidity), expected, atol=5e-4)


@pytest.mark.parametrize(
    ("temp_c", "rh", "percent"),
    [(20, 0.3, 6.188), (20, 0.4, 7.722), (20, 0.5, 9.271), (20, 0.6, 11.0), (20, 0.7, 13.129)]
    + [(21, 0.45, 8.462), (21, 0.5, 9.245), (25, 0.5, 9.132)],
)
def test_values_worked_from_the_equation_elsewhere_agree(temp_c, rh, percent):
    assert equilibrium_moisture(temp_c, rh) == pytest.approx(percent / 100, abs=6e-6)  # three decimals


@pytest.mark.parametrize(
    ("rh", "slope"),
    [(0.3, 0.1575), (0.4, 0.1511), (0.45, 0.1537), (0.5, 0.1604), (0.6, 0.1878), (0.7, 0.2428)],
)
def test_a_point_of_humidity_is_worth_what_was_derived_from_the_equation(rh, slope):
    less, more = equilibrium_moisture(21.0, [rh - 1e-4, rh + 1e-4])
    assert (more - less) / 2e-4 == pytest.approx(slope, abs=6e-5)
    if 0.4 <= rh <= 0.5:  # what turns "per percent of humidity" into moisture lies between these
        assert slope == pytest.approx(MOISTURE_PER_HUMIDITY, rel=0.04)


def test_ten_kelvin_are_worth_a_sixth_of_ten_points_of_humidity():
    cold, warm = equilibrium_moisture([20.5, 21.5], 0.45)
    assert warm - cold == pytest.approx(-0.024 / 100, abs=6e-6)  # derived from the equation, per kelvin


def test_dry_air_leaves_no_moisture():
    assert equilibrium_moisture([0.0, 20.0, 40.0], 0.0) == pytest.approx(0.0)


@given(st.floats(0.0, 0.98), st.floats(0.005, 0.02), st.floats(-10.0, 40.0))
def test_damper_air_always_means_damper_wood(rh, more, temp_c):
    drier, damper = equilibrium_moisture(temp_c, [rh, rh + more])
    assert damper > drier


def test_a_missing_reading_stays_missing():
    assert np.isnan(equilibrium_moisture([20.0, np.nan], [np.nan, 0.5])).all()


@pytest.mark.parametrize(
    ("temp_c", "rh", "cause"),
    [
        (20.0, 45.0, "percentage where a fraction"),
        (20.0, -0.1, "sensor fault"),
        (72.0, 0.4, "Fahrenheit"),
        (-45.0, 0.4, "sensor fault"),
    ],
)
def test_impossible_air_is_refused_with_its_likely_cause(temp_c, rh, cause):
    with pytest.raises(ValueError, match=cause):
        equilibrium_moisture([20.0, temp_c], [0.5, rh])
