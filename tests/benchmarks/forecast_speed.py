"""Seconds for a large fleet, and the closed form's speed against simulating every pair, in one run."""

import argparse
import time

import numpy as np

from scheduling.engine.forecast import Playing, Record, RoomAir, Stay, Subject, build_model

TODAY = 739_945  # 2026-11-25
KINDS = {
    "tuning": ("cents", 4.5, 75.0),
    "bedding": ("mm", 0.10, 240.0),
    "regulation": ("mm", 0.30, 450.0),
    "voicing": ("points", 3.0, 240.0),
}


def rooms(count: int, rng: np.random.Generator) -> list[RoomAir]:
    days = np.arange(TODAY - 730, TODAY + 1)
    out = []
    for i in range(count):
        season = 0.43 - 0.15 * np.cos(2 * np.pi * (days - 20) / 365.2425)
        rh = np.clip(season + 0.03 * rng.standard_normal(len(days)), 0.05, 0.95)
        out.append(RoomAir(f"room {i}", f"building {i % 5}", days, np.full(len(days), 21.0), rh))
    return out


def subjects(instruments: int, n_rooms: int, rng: np.random.Generator) -> list[Subject]:
    out = []
    for i in range(instruments):
        stays = (Stay(TODAY - 3000, f"room {i % n_rooms}"),)
        built = TODAY - int(rng.integers(200, 20000))
        for service, (unit, tolerance, interval) in KINDS.items():
            gap = interval * rng.uniform(0.7, 1.3)
            days = [round(TODAY - gap * (j + rng.uniform(0.1, 0.9))) for j in range(8, -1, -1)]
            records = tuple(Record(day, float(rng.normal(0, tolerance / 2)), None) for day in sorted(days))
            out.append(
                Subject(
                    f"instrument {i}", service, "grand", "teaching", tolerance, unit, interval, built, built,
                    15.0, 4, 0.0, 0.0, False, stays, records,
                )
            )  # fmt: skip
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--instruments", type=int, default=1000)
    parser.add_argument("--rooms", type=int, default=60)
    parser.add_argument("--weeks", type=int, default=26)
    asked = parser.parse_args()
    rng = np.random.default_rng(1)
    clock = time.perf_counter
    begun = clock()
    model = build_model(
        rooms(asked.rooms, rng),
        subjects(asked.instruments, asked.rooms, rng),
        Playing(np.array([], np.int64), np.array([])),
        TODAY,
    )
    built = clock()
    model.outlooks(seed=1)
    seen = clock()
    weekly = TODAY + 7 * np.arange(asked.weeks)
    model.out_probability(weekly, np.arange(TODAY, TODAY + 7 * asked.weeks))
    priced = clock()
    pairs = asked.weeks + 1  # a simulation would have to start anew after each service week
    print(f"{4 * asked.instruments} forecasts in {asked.rooms} rooms")
    print(f"learn and lay out      {built - begun:7.2f} s")
    print(f"dates, by simulation   {seen - built:7.2f} s")
    print(f"all pairs, closed form {priced - seen:7.2f} s for {asked.weeks} service weeks x daily")
    ratio = (seen - built) * pairs / (priced - seen)
    print(f"simulating the pairs instead would take {ratio:.1f} times as long as the closed form")


if __name__ == "__main__":
    main()
