"""The turn of a room's year when heating starts: against a course known exactly, and a real year of weather.

Outdoor air: Greensboro NC, typical meteorological year TMY3 723170 (US Government), as packaged with pvlib.
"""

from pathlib import Path

import numpy as np
import pvlib
import pytest
from scipy.signal import lfilter

from scheduling.engine.air import MOISTURE, fit_seasons
from scheduling.engine.cycles import YEAR_DAYS
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.psychrometrics import heated_outdoor_humidity, saturation_pressure
from scheduling.engine.year_shape import NO_SHAPE, at_days, year_shape, year_shapes

FIRST = 738_000
HEATED_C = 21.0


def heated_room(years: int, weather: float = 0.0, seed: int = 0):
    """Days, temperature and humidity of a room heated to 21 degC that follows the outdoor air in summer.

    From about 5 degC outdoors on it floats by half a kelvin a kelvin. Vapour pressure follows the year by one
    cycle, with weather as a share of it; both are known exactly.
    """
    days = FIRST + np.arange(round(years * YEAR_DAYS))
    year = np.cos(2 * np.pi * (days - 20) / YEAR_DAYS)  # 1 in the cold
    temp_c = HEATED_C + np.log1p(np.exp(3.0 * (4.0 - 12.0 * year) - 15.0)) / 6.0
    noise = np.random.default_rng(seed).standard_normal(len(days))
    anomaly = lfilter([np.sqrt(1 - 0.85**2)], [1.0, -0.85], noise)
    pressure = np.exp(6.7 - 0.55 * year + weather * anomaly)
    return days, temp_c, pressure / saturation_pressure(temp_c)


def season_error(days, temp_c, rh, with_shape: bool):
    """Largest error of the fitted season of moisture [fraction] around the course without weather."""
    shapes = year_shapes({"a": (days, temp_c, rh)}, {"a": ""}) if with_shape else {"a": NO_SHAPE}
    history = {"a": (days, equilibrium_moisture(temp_c, rh))}
    season = fit_seasons(history, {"a": ""}, MOISTURE, {"a": shapes["a"].moisture})["a"]
    _, exact_c, exact_rh = heated_room(4)
    exact = equilibrium_moisture(exact_c, exact_rh)[: len(days)]
    return np.abs(season.expected(days) - exact).max()


def test_a_room_that_is_heated_turns_sooner_than_two_cycles_can_draw():
    calm = heated_room(4)
    assert season_error(*calm, with_shape=False) > 2.0 * season_error(*calm, with_shape=True)


@pytest.mark.parametrize("seed", range(5))
def test_the_turn_is_still_seen_through_four_years_of_weather(seed):
    told = heated_room(4, weather=0.15, seed=seed)
    assert season_error(*told, with_shape=True) < season_error(*told, with_shape=False)


def test_a_real_year_of_outdoor_air_heated_has_its_months_nearer():
    """Monthly means of the wood's balance in air heated to at least 21 degC, at a constant humidity ratio."""
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table, _ = pvlib.iotools.read_tmy3(path, coerce_year=2021, map_variables=True)
    daily = table[["temp_air", "relative_humidity"]].resample("D").mean().iloc[:365]
    outside_c, outside_rh = daily["temp_air"].to_numpy(), daily["relative_humidity"].to_numpy() / 100.0
    inside_c = np.maximum(outside_c, HEATED_C)
    rh = np.clip(heated_outdoor_humidity(outside_c, outside_rh, inside_c), 0.03, 0.95)
    days = np.array([one.toordinal() for one in daily.index.date])
    moisture = equilibrium_moisture(inside_c, rh)
    month = daily.index.month.to_numpy()

    def rms(shape):
        season = fit_seasons({"": (days, moisture)}, {"": ""}, MOISTURE, {"": shape})[""]
        off = season.expected(days) - moisture
        return np.sqrt(np.mean([off[month == m].mean() ** 2 for m in range(1, 13)]))

    assert rms(year_shape(days, inside_c, rh).moisture) < 0.9 * rms(NO_SHAPE.moisture)


def test_a_room_without_a_whole_year_takes_the_turn_of_its_building_and_then_of_the_site():
    whole, short = heated_room(2), tuple(part[:120] for part in heated_room(2))
    nothing = (whole[0][:0], whole[1][:0], whole[2][:0])
    rooms = {"whole": whole, "short": short, "empty": nothing}
    found = year_shapes(rooms, {"whole": "north", "short": "north", "empty": "south"})
    assert year_shape(*short) is None
    for room in ("short", "empty"):
        np.testing.assert_allclose(found[room].moisture, found["whole"].moisture, atol=1e-15)
    assert year_shapes({"empty": nothing}, {"empty": ""})["empty"] is NO_SHAPE


def test_a_steady_room_has_no_turn():
    days = FIRST + np.arange(800)
    shape = year_shape(days, np.full(800, 21.0), np.full(800, 0.45))
    for curve in (shape.moisture, shape.warmth, shape.humidity):
        np.testing.assert_allclose(curve, 0.0, atol=1e-9)


def test_the_shape_closes_with_the_year():
    shape = year_shape(*heated_room(3))
    days = FIRST + np.arange(400.0)
    np.testing.assert_allclose(
        at_days(shape.moisture, days), at_days(shape.moisture, days + 4 * YEAR_DAYS), atol=1e-9
    )
    assert np.abs(np.diff(at_days(shape.moisture, FIRST + np.arange(0, 800)))).max() < 0.0005
