"""Hundreds of invented weeks laid out, read back by the tests' checker, beside putting visits in one by one.

Run from the repository's root: ``python tests/benchmarks/week_plan.py [--weeks 100] [--instruments 8]
[--people 2] [--planned] [--limit 9.5]``. Without ``--planned`` people, bookings and visits are drawn so that
many a visit cannot be placed; with it the work fits the hours, as a season plan leaves it. The rival puts the
dearest visit first wherever it fits and moves nothing afterwards. Printed are rules broken (none is wanted),
weeks proven, the longest time, and how far both stay above what is proven; the exit code is 1 where a rule is
broken or ten seconds are not kept.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from scheduling.engine.week import lay_out
from scheduling.engine.week.placing import one_by_one
from tests.invented_weeks import invented_week, planned_week
from tests.week_checker import broken, points

MOST_SECONDS = 10.0  # half a second above the limit, for a machine that does something else beside


def main() -> int:
    """Lay out the weeks and print the figures."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--weeks", type=int, default=100)
    parser.add_argument("--instruments", type=int, default=8)
    parser.add_argument("--people", type=int, default=2)
    parser.add_argument("--planned", action="store_true")
    parser.add_argument("--limit", type=float, default=9.5)
    asked = parser.parse_args()
    outcomes: Counter[str] = Counter()
    rules: Counter[str] = Counter()
    faults, visits, placed, seconds, ours, rivals, bounds = [], 0, 0, [], 0, 0, 0
    for seed in range(asked.weeks):
        if asked.planned:
            week = planned_week(seed, asked.people, hours=25)
        else:
            week = invented_week(seed, asked.instruments, asked.people)
        layout = lay_out(week, asked.limit)
        faults += [(seed, fault) for fault in broken(week, layout.sittings)]
        if layout.cost != points(week, layout.sittings):
            faults.append((seed, "the price is not the checker's sum"))
        outcomes[layout.outcome] += 1
        rules.update(rule for one in layout.left_out for rule in one.rules)
        visits += len(week.visits)
        placed += len({one.visit for one in layout.sittings})
        seconds.append(layout.seconds)
        ours += layout.cost
        bounds += layout.bound
        rivals += points(week, one_by_one(week))
    print(f"{asked.weeks} weeks, {visits} visits, {placed} placed, {visits - placed} explained")
    print(f"rules broken: {len(faults)} {faults[:5]}")
    print(f"outcomes: {dict(outcomes)}")
    print(f"seconds: longest {max(seconds):.2f}, mean {sum(seconds) / len(seconds):.2f}")
    above, rivals_above = ours - bounds, rivals - bounds
    ratio = above / max(rivals_above, 1)
    print(f"points above the proven bounds: {above}, one by one {rivals_above}: {ratio:.3f} of it")
    print(f"kept out by: {dict(rules.most_common())}")
    return 1 if faults or max(seconds) > max(MOST_SECONDS, asked.limit + 0.5) else 0


if __name__ == "__main__":
    sys.exit(main())
