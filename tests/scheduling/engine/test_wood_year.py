"""A year of wood: exact in steady air, sure where it was read, the more doubtful the further ahead."""

from __future__ import annotations

import numpy as np
import pytest

from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.wood_year import wood_year

TODAY = 740_000


def air(n: int = 800, rh: float = 0.45):
    days = np.arange(TODAY - n + 1, TODAY + 1)
    return days, np.full(n, 21.0), np.full(n, rh)


def test_in_steady_air_the_wood_is_at_its_balance():
    found = wood_year(*air(), 6.0, np.arange(TODAY - 300, TODAY, 7))
    assert found.mean == pytest.approx(float(equilibrium_moisture(21.0, 0.45)), abs=1e-9)
    assert found.sd == pytest.approx(0.0, abs=1e-9)
    assert found.measured.all()


def test_a_step_is_followed_with_the_time_constant():
    days, temps, rh = air()
    rh[-60:] = 0.55
    low, high = (float(equilibrium_moisture(21.0, value)) for value in (0.45, 0.55))
    found = wood_year(days, temps, rh, 6.0, np.array([TODAY - 60, TODAY - 54, TODAY]))
    shares = (found.mean - low) / (high - low)
    assert shares[0] == pytest.approx(0.0, abs=1e-9)
    assert shares[1] == pytest.approx(1 - np.exp(-1), abs=1e-6)  # one time constant after the step
    assert shares[2] == pytest.approx(1.0, abs=1e-4)


def test_ahead_it_is_the_more_doubtful_and_not_measured():
    found = wood_year(*air(), 6.0, np.array([TODAY, TODAY + 7, TODAY + 30, TODAY + 180]))
    assert list(found.measured) == [True, False, False, False]
    assert (np.diff(found.sd) > 0).all()


def test_without_any_reading_a_usual_year_in_a_wide_band():
    nothing = np.array([], np.int64), np.array([]), np.array([])
    found = wood_year(*nothing, 6.0, np.arange(TODAY, TODAY + 365, 7))
    assert (found.sd > 0.008).all()
    assert np.ptp(found.mean) > 0.02


def test_no_day_and_percentages_are_refused():
    with pytest.raises(ValueError, match="no day"):
        wood_year(*air(), 6.0, np.array([], np.int64))
    with pytest.raises(ValueError, match="percent"):
        wood_year(*air(rh=45.0), 6.0, np.array([TODAY]))
