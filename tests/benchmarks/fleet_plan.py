"""Plans of invented fleets judged by their hidden truth: the plan beside fixed intervals and hindsight.

Run from the repository's root: ``python tests/benchmarks/fleet_plan.py [--seeds 1 2 3] [--swings 0.7 1.0 1.3]
[--shares 0.3 0.6] [--instruments 40] [--weeks 26] [--weekly]``. A share is of the hours a week that would
keep every fixed interval. Every row is weighted instrument-days truly out of tolerance over the season.
"""

import argparse
import os
import sys
import time
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()

from fleet.demo.spec import FleetSpec
from tests.fleet_season import compare, prepare

HEAD = (
    "seed",
    "swing",
    "hours",
    "nothing",
    "overdue",
    "rule",
    "plan",
    "hindsight",
    "spared",
    "captured",
    "s",
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--swings", type=float, nargs="+", default=[0.7, 1.0, 1.3])
    parser.add_argument("--shares", type=float, nargs="+", default=[0.3, 0.6])
    parser.add_argument("--instruments", type=int, default=40)
    parser.add_argument("--weeks", type=int, default=26)
    parser.add_argument("--weekly", action="store_true", help="plan anew every Monday as well")
    asked = parser.parse_args()
    print("".join(f"{name:>10}" for name in HEAD))
    verdicts = []
    for seed in asked.seeds:
        for swing in asked.swings:
            spec = FleetSpec(
                n_instruments=asked.instruments, n_rooms=16, seed=seed, climate_swing=swing, years=4
            )
            trial = prepare(spec, asked.weeks)
            for share in asked.shares:
                begun = time.perf_counter()
                found = compare(trial, share * trial.need, weekly=asked.weekly)
                verdicts.append(found)
                weekly = float("nan") if found.replanned is None else found.replanned
                days = (found.nothing, found.overdue, found.rule, found.plan, found.hindsight, weekly)
                print(
                    f"{seed:>10}{swing:>10.1f}{share * trial.need:>10.1f}"
                    + "".join(f"{value:>10.0f}" for value in days)
                    + f"{found.spared:>10.1%}{found.captured:>10.1%}{time.perf_counter() - begun:>10.1f}",
                    flush=True,
                )
    for name in ("plan", "replanned") if asked.weekly else ("plan",):
        overdue, rule, plan, hindsight = (
            sum(getattr(one, each) for one in verdicts) for each in ("overdue", "rule", name, "hindsight")
        )
        spared, captured = 1 - plan / overdue, (rule - plan) / (rule - hindsight)
        print(f"together, {name}: spared {spared:.1%} of the plain rule's days, captured {captured:.1%}")


if __name__ == "__main__":
    main()
