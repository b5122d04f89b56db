"""Daily air against pandas, whose resampling knows time zones, and on the days of the clock changes."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from fleet.daily import daily_air
from fleet.local_time import LocalClock, day_number

ZONES = ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "UTC"]


def irregular(zone: str, count: int = 6000) -> pd.DataFrame:
    """Return half a year of readings at odd times, with bursts and gaps, some of them doubted."""
    rng = np.random.default_rng(11)
    steps = np.where(rng.random(count) < 0.3, rng.integers(5, 120, count), rng.integers(600, 9000, count))
    steps[rng.random(count) < 0.002] += 200_000
    times = pd.Timestamp("2026-02-01", tz="UTC") + pd.to_timedelta(np.cumsum(steps), unit="s")
    return pd.DataFrame(
        {
            "temp_c": 21 + rng.normal(0, 1, count),
            "rh": rng.uniform(0.2, 0.8, count),
            "trusted": rng.random(count) > 0.1,
        },
        index=times.tz_convert(zone),
    )


def micros_of(frame: pd.DataFrame) -> np.ndarray:
    return frame.index.tz_convert("UTC").tz_localize(None).to_numpy("datetime64[us]").astype(np.int64)


@pytest.mark.parametrize("zone", ZONES)
def test_daily_means_are_those_of_pandas_resampling_by_hour_and_then_by_day(zone):
    frame = irregular(zone)
    clock = LocalClock(ZoneInfo(zone), date(2026, 1, 1), date(2026, 12, 31))
    air = daily_air(
        micros_of(frame),
        frame["temp_c"].to_numpy(),
        frame["rh"].to_numpy(),
        frame["trusted"].to_numpy(),
        clock,
    )
    trusted = frame[frame["trusted"]]
    expected = {}
    for day, rows in trusted.groupby(trusted.index.date):
        # Hours are counted from local midnight, which pandas does when told where to begin.
        hourly = rows[["temp_c", "rh"]].resample("1h", origin=pd.Timestamp(day, tz=zone)).mean().dropna()
        expected[day] = (hourly.mean(), len(hourly), rows.min(), rows.max())
    seen = {date.fromordinal(int(day) + date(1970, 1, 1).toordinal()): at for at, day in enumerate(air.days)}
    assert len(expected) > 100
    for day, (mean, hours, low, high) in expected.items():
        at = seen[day]
        assert air.hours_covered[at] == hours
        # Sums of up to a few dozen doubles in another order.
        assert air.temp_c[at] == pytest.approx([mean["temp_c"], low["temp_c"], high["temp_c"]], rel=1e-12)
        assert air.rh[at] == pytest.approx([mean["rh"], low["rh"], high["rh"]], rel=1e-12)
    by_day = frame.groupby(frame.index.date)["trusted"]
    assert air.readings.tolist() == by_day.size().tolist()
    assert air.doubtful.tolist() == (by_day.size() - by_day.sum()).tolist()


@pytest.mark.parametrize(
    ("zone", "day", "hours", "bins"),
    [
        ("Europe/Vienna", date(2026, 3, 29), 23, 23),
        ("Europe/Vienna", date(2026, 10, 25), 25, 25),
        ("America/New_York", date(2026, 11, 1), 25, 25),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5, 25),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5, 24),
    ],
)
def test_a_day_of_a_clock_change_has_as_many_hours_as_the_clock_gives_it(zone, day, hours, bins):
    # Dates of the changes: IANA time zone database.
    clock = LocalClock(ZoneInfo(zone), date(2026, 1, 1), date(2026, 12, 31))
    start, end = clock.midnight(np.array([day_number(day), day_number(day) + 1])).tolist()
    assert (end - start) / 3600e6 == hours
    times = np.arange(start, end, 600_000_000)
    air = daily_air(
        times, np.full(len(times), 20.0), np.full(len(times), 0.5), np.ones(len(times), bool), clock
    )
    assert air.days.tolist() == [day_number(day)]
    assert air.hours_covered.tolist() == [bins]


def test_a_burst_of_readings_weighs_no_more_than_its_hour():
    times = np.array([0, *range(3_600_000_000, 3_660_000_000, 1_000_000)])
    rh = np.array([0.2, *[0.6] * 60])
    clock = LocalClock(ZoneInfo("UTC"), date(1970, 1, 1), date(1970, 1, 2))
    air = daily_air(times, np.full(61, 20.0), rh, np.ones(61, bool), clock)
    assert air.rh[0] == pytest.approx([0.4, 0.2, 0.6])


def test_a_day_without_a_trusted_reading_has_counts_and_no_figures():
    clock = LocalClock(ZoneInfo("UTC"), date(1970, 1, 1), date(1970, 1, 2))
    air = daily_air(np.array([0, 1]), np.full(2, 20.0), np.full(2, 0.5), np.zeros(2, bool), clock)
    assert (air.readings[0], air.doubtful[0], air.hours_covered[0]) == (2, 2, 0)
    assert np.isnan(air.temp_c).all()
    assert np.isnan(air.rh).all()
