"""Services counted over simulated years: by hand, by renewal theory, and beside the first dates out."""

from __future__ import annotations

import numpy as np
import pytest

from scheduling.engine.forecast import build_model
from scheduling.engine.renewal import Course, count_services
from tests.scheduling.engine.invented import ALWAYS, TODAY, room, subject

RNG = np.random.default_rng(7)


def course(values, limit: float, variance: float = 0.0, paths: int = 1, left: float = 0.0) -> Course:
    values = np.broadcast_to(np.asarray(values, np.float32).reshape(len(values), -1), (len(values), paths))
    crossing = variance * RNG.standard_exponential((len(values) - 1, paths), dtype=np.float32)
    fresh = np.full(paths, left, np.float32)
    return Course(values, values, crossing.astype(np.float32), 0.0, fresh, limit)


def test_a_steady_drift_needs_a_service_whenever_it_has_used_up_the_tolerance():
    # By hand: half a cent a day passes 4.9 cents on the tenth day after each service: days 10, 20, … 100.
    values, stretch = 0.5 * np.arange(101), np.arange(101) // 51
    [counts] = count_services([[course(values, 4.9)]], stretch, RNG)
    assert counts[:, 0].tolist() == [5, 5]


def test_what_is_out_already_is_served_today_and_a_job_is_out_where_any_of_its_courses_is():
    # By hand: out today; then one course needs it every tenth day, the other, reset with it, never by itself.
    quick, slow = 8.0 + 0.5 * np.arange(31), 0.1 * np.arange(31)
    [counts] = count_services([[course(quick, 4.9), course(slow, 4.9)]], np.zeros(31, int), RNG)
    assert counts[0, 0] == 4
    [alone] = count_services([[course(slow, 2.95)]], np.zeros(31, int), RNG)
    assert alone[0, 0] == 1


def test_a_walk_is_served_as_often_as_renewal_theory_says():
    """Brownian motion leaves ±L after L²/σ² days in the mean, with a variance of 2/3 of that squared.

    Elementary renewal theorem, second term included: n days need n/m + (v/m² − 1)/2 services, where m and v
    are mean and variance of the time between; exit times of Brownian motion and the theorem from memory of
    Karlin & Taylor, "A First Course in Stochastic Processes", 1975, unverified.
    """
    days, paths, limit = 3000, 400, 3.0
    steps = RNG.standard_normal((days, paths), dtype=np.float32)
    walk = np.concatenate([np.zeros((1, paths), np.float32), np.cumsum(steps, axis=0)])
    [counts] = count_services([[course(walk, limit, 1.0, paths)]], np.zeros(days + 1, int), RNG)
    mean = limit**2
    # A service is noted at the end of its day, half a day late in the mean, and the walk begins anew there.
    expected = days / (mean + 0.5) + (2 / 3 - 1) / 2
    # Between two paths the count differs by about √(n v / m³) = 15; 400 paths leave 0.8 of that, tripled.
    assert counts.mean() == pytest.approx(expected, abs=0.015 * expected)


def test_the_first_service_falls_where_the_forecast_has_its_date():
    fleet = [subject(instrument=f"G-{n}", served=30 * n) for n in range(3)]
    model = build_model([room()], fleet, ALWAYS, TODAY, 400)
    waits = model.waits(1)
    # Stretches of one day: the first day with a service is the first day out.
    counts = dict(model.services_needed(np.arange(401), 1, paths=400))
    for place, expected in enumerate(waits):
        served = counts[place] > 0
        first = np.where(served.any(axis=0), served.argmax(axis=0), 401)
        # Two samples of 400: their medians differ by some per cent of the spread.
        assert np.median(first) == pytest.approx(np.median(expected), rel=0.2)


def test_more_days_never_need_fewer_services_and_the_same_seed_gives_the_same_counts():
    model = build_model([room()], [subject()], ALWAYS, TODAY, 500)
    [(_, once)] = model.services_needed(np.arange(501) // 100, 3, paths=50)
    [(_, again)] = model.services_needed(np.arange(501) // 100, 3, paths=50)
    assert (once == again).all()
    assert once.sum() > 0
