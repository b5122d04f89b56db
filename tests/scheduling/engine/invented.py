"""An invented room, its season and instruments for the forecast's tests."""

from dataclasses import replace

import numpy as np

from scheduling.engine.forecast import Playing, Record, RoomAir, Stay, Subject

TODAY = 739_945  # 25 November 2026
TOLERANCES = {"tuning": 4.5, "bedding": 0.10, "regulation": 0.30, "voicing": 3.0}
INTERVALS = {"tuning": 75.0, "bedding": 240.0, "regulation": 450.0, "voicing": 240.0}
UNITS = {"tuning": "cents", "bedding": "mm", "regulation": "mm", "voicing": "points"}
SERVICES = tuple(TOLERANCES)
ALWAYS = Playing(np.array([], np.int64), np.array([]))


def room(
    name="room", low=0.25, high=0.60, weather=0.04, days=730, seed=0, until=TODAY, building="hall", **more
):
    """Room air with a season between two humidities, driest in late January, and weather around it."""
    rng = np.random.default_rng(seed)
    at = np.arange(until - days + 1, until + 1)
    season = (low + high) / 2 - (high - low) / 2 * np.cos(2 * np.pi * (at - 739_645) / 365.2425)
    anomaly = np.zeros(days)
    for i in range(1, days):
        anomaly[i] = 0.8 * anomaly[i - 1] + 0.6 * weather * rng.standard_normal()
    rh = np.clip(season + anomaly, 0.03, 0.97)
    return RoomAir(name, building, at, np.full(days, 21.0), rh, **more)


def without(air, first, last):
    """The same room with a gap."""
    kept = (air.days < first) | (air.days > last)
    return replace(air, days=air.days[kept], temp_c=air.temp_c[kept], rh=air.rh[kept])


def subject(service="tuning", age_years=15.0, where="room", served=0, **changes):
    """A settled teaching grand, served `served` days ago, unless told otherwise."""
    born = TODAY - round(age_years * 365.2425)
    made = Subject(
        instrument="G-1",
        service=service,
        instrument_kind="grand",
        use_class="teaching",
        tolerance=TOLERANCES.get(service, 1.0),
        unit=UNITS.get(service, "points"),
        interval_days=INTERVALS.get(service, 100.0),
        built_day=born,
        in_service_day=born,
        hours_per_week=20.0,
        glides=4,
        lever_front_mm=0.0,
        lever_back_mm=0.0,
        humidity_control=False,
        stays=(Stay(TODAY - 9000, where),),
        records=(Record(TODAY - served, None, None),),
    )
    return replace(made, **changes)
