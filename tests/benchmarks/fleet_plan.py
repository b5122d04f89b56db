"""Plans of invented fleets judged by their hidden truth: the plan beside fixed intervals and hindsight.

Run from the repository's root: ``python tests/benchmarks/fleet_plan.py [--seeds 1 2 3] [--swings 1.0 1.3]
[--shares 0.6 1.0] [--instruments 40] [--weeks 18] [--years 5] [--weekly] [--looks] [--futures 40]``. A share
is of the hours a week that would keep every fixed interval. Every row is weighted instrument-days truly out
of tolerance over the season. With looks there is a plan made anew every Monday by people who measure all of
an instrument that they visit. With futures there is a column more: a plan for the same hours by somebody who
knows every instrument to the last number, and how it stands on the first day, but neither the weather nor any
chance to come; it is worked out from so many futures drawn from the laws of the invented world.
"""

import argparse
import os
import sys
import time
from collections.abc import Sequence
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()

from fleet.demo.spec import FleetSpec
from tests.fleet_season import Verdict, compare, prepare, weatherless_tables

DAYS = ("nothing", "overdue", "rule", "plan", "replanned", "looked", "weatherless", "hindsight")
HEAD = ("seed", "swing", "hours", *DAYS, "spared", "captured", "s")
WIDTH = 12


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--swings", type=float, nargs="+", default=[1.0, 1.3])
    parser.add_argument("--shares", type=float, nargs="+", default=[0.6, 1.0])
    parser.add_argument("--instruments", type=int, default=40)
    parser.add_argument("--weeks", type=int, default=18)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--weekly", action="store_true", help="plan anew every Monday as well")
    parser.add_argument("--looks", action="store_true", help="the same, measuring all of what is visited")
    parser.add_argument("--futures", type=int, default=0, help="drawn for a plan that knows all else")
    asked = parser.parse_args()
    print("".join(f"{name:>{WIDTH}}" for name in HEAD))
    verdicts = []
    for seed in asked.seeds:
        for swing in asked.swings:
            spec = FleetSpec(
                n_instruments=asked.instruments, n_rooms=16, seed=seed, climate_swing=swing, years=asked.years
            )
            trial = prepare(spec, asked.weeks)
            weatherless = weatherless_tables(trial, asked.futures) if asked.futures else None
            for share in asked.shares:
                begun = time.perf_counter()
                hours = share * trial.need
                found = compare(trial, hours, weekly=asked.weekly, looks=asked.looks, weatherless=weatherless)
                verdicts.append(found)
                write(seed, swing, hours, found, time.perf_counter() - begun)
    sum_up(verdicts)


def write(seed: int, swing: float, hours: float, found: Verdict, seconds: float) -> None:
    """Print a row; spared and captured are those of the plan made once."""
    days = [getattr(found, name) for name in DAYS]
    print(
        f"{seed:>{WIDTH}}{swing:>{WIDTH}.1f}{hours:>{WIDTH}.1f}"
        + "".join(f"{'-' if value is None else round(value):>{WIDTH}}" for value in days)
        + f"{found.spared:>{WIDTH}.1%}{found.captured:>{WIDTH}.1%}{seconds:>{WIDTH}.1f}",
        flush=True,
    )


def sum_up(verdicts: Sequence[Verdict]) -> None:
    """Print what each way of planning comes to over all rows."""
    for name in ("plan", "replanned", "looked", "weatherless", "hindsight"):
        if any(getattr(one, name) is None for one in verdicts):
            continue
        overdue, rule, plan, best = (
            sum(getattr(one, each) for one in verdicts) for each in ("overdue", "rule", name, "hindsight")
        )
        spared, captured = 1 - plan / overdue, (rule - plan) / (rule - best)
        print(f"together, {name}: spared {spared:.1%} of the plain rule's days, captured {captured:.1%}")


if __name__ == "__main__":
    main()
