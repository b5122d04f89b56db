"""Season plans of invented fleets: gap and seconds by size, beside a calendar and one flow model in HiGHS.

Run from the repository's root: ``python tests/benchmarks/season_plan.py [small middle large huge]
[--people 3] [--rules] [--limit 60] [--direct]``. The probabilities come from a smooth seasonal curve plus a
random walk since the last service, with every instrument's own sensitivity; the coefficients are invented and
only have to be of a believable size. With ``--direct`` the same season goes to HiGHS as one flow model with
the same time limit.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.stats import norm

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from scheduling.engine.season import (
    Interval,
    Job,
    Requirement,
    SeasonProblem,
    SeasonResult,
    Sharing,
    arc_costs,
    calendar_plan,
    plan_season,
    recent_visit,
    service_days,
    solve_direct,
    still_in_tolerance,
)

HOURS = (1.5, 0.75, 6.0, 3.0)
TOLERANCE = ((2, 3, 4.5, 9), (0.05, 0.05, 0.1, 0.15), (0.15, 0.2, 0.3, 0.5), (1.5, 2, 3, 4.5))
SWING = (8.0, 0.12, 0.15, 0.5)
WALK = (0.25, 0.004, 0.010, 0.12)
SHARE = (1.0, 0.6, 0.8, 0.5)
WEIGHT = (8.0, 4.0, 2.0, 1.0)
INTERVAL = ((14, 35, 75, 150), (90, 150, 240, 365), (180, 300, 450, 700), (60, 120, 240, 400))
# bedding and voicing are so much shorter while the action is out for the regulation [h]
SHARED = 0.25
SERVICES = ("tuning", "bedding", "regulation", "voicing")


def season_curve(days: np.ndarray) -> np.ndarray:
    """Wood moisture through the year on a scale of -1..1, falling fast when heating starts."""
    return np.cos(2 * np.pi * (days + 40) / 365) + 0.35 * np.sin(4 * np.pi * (days + 10) / 365)


def out_of_tolerance(
    kind: int, use: np.ndarray, swing: np.ndarray, age: np.ndarray, moved: np.ndarray
) -> np.ndarray:
    """Probability that the deviation is beyond the tolerance after ``age`` days."""
    tolerance = np.array(TOLERANCE[kind])[use][:, None]
    mean = swing[:, None] * SWING[kind] * moved
    sd = np.sqrt((0.15 * tolerance) ** 2 + WALK[kind] ** 2 * np.maximum(age, 0))
    return norm.sf((tolerance - mean) / sd) + norm.cdf((-tolerance - mean) / sd)


def service_tables(
    kind: int, use: np.ndarray, last: np.ndarray, weeks: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Weighted and unweighted arc costs of one service kind on every instrument."""
    n, days = len(use), np.arange(7 * weeks)
    swing = rng.lognormal(-0.3, 0.6, n)
    curve = season_curve(days)
    moved = curve - season_curve(last)[:, None]
    since = out_of_tolerance(kind, use, swing, days - last[:, None], moved)
    after = np.empty((n, weeks, len(days)))
    for week, day in enumerate(service_days(weeks)):
        shift = np.broadcast_to(curve - curve[day], (n, len(days)))
        after[:, week] = out_of_tolerance(kind, use, swing, np.broadcast_to(days - day, shift.shape), shift)
    term = np.where((days // 7) % 26 < 20, 1.0, 0.3)
    factor = SHARE[kind] * np.array(WEIGHT)[use][:, None] * term
    plain = np.ones((n, len(days)))
    since, after = np.clip(since, 0, 1), np.clip(after, 0, 1)
    return (
        arc_costs(since, after, factor, service_days(weeks)),
        arc_costs(since, after, plain, service_days(weeks)),
        np.concatenate([since[:, None], after], axis=1)[:, :, service_days(weeks)],
    )


def invented_season(
    instruments: int, weeks: int, seed: int = 1, people: int = 1, share: float = 0.012, rules: bool = False
) -> tuple[SeasonProblem, list[Interval]]:
    """A fleet with four services each; ``share`` of the fleet's whole work is offered in hours per week."""
    rng = np.random.default_rng(seed)
    use = rng.choice(4, instruments, p=[0.05, 0.15, 0.3, 0.5])
    jobs, intervals, out = [], [], np.zeros(0)
    for kind, service in enumerate(SERVICES):
        usual = np.array(INTERVAL[kind])[use]
        last = -np.round(usual * rng.uniform(0.05, 1.3, instruments)).clip(1)
        weight = SHARE[kind] * np.array(WEIGHT)[use]
        intervals += [Interval(*map(float, row)) for row in zip(usual, last, weight, strict=True)]
        cost, days_out, late = service_tables(kind, use, last, weeks, rng)
        out = late if service == "regulation" else out
        jobs += [
            Job(f"I{i:05d}", service, HOURS[kind], cost[i], days_out[i], people=_skilled(kind, people))
            for i in range(instruments)
        ]
    offered = np.full(weeks, round(share * sum(HOURS) * instruments * 4) / 4)
    offered[rng.random(weeks) < 0.1] *= 0.5
    parts = np.arange(people, 0, -1) / np.arange(people, 0, -1).sum()
    names = tuple(f"P{p}" for p in range(people))
    order = (
        tuple(rule for i in range(instruments) for rule in _order(i, instruments, weeks, out))
        if rules
        else ()
    )
    hours = np.round(parts[:, None] * offered * 4) / 4
    shared = (
        tuple(
            Sharing(kind * instruments + i, 2 * instruments + i, SHARED)
            for i in range(instruments)
            for kind in (1, 3)
        )
        if rules
        else ()
    )
    return SeasonProblem(tuple(jobs), weeks, names, hours, order, sharings=shared), intervals


def _order(instrument: int, size: int, weeks: int, out: np.ndarray) -> tuple[Requirement, ...]:
    """Bed before regulating; tune, and be regulated, before voicing."""
    tuning, bedding, regulation, voicing = (kind * size + instrument for kind in range(4))
    return (
        recent_visit(
            regulation, bedding, weeks, 4, "bedding first", "the frame is bedded before it is regulated"
        ),
        recent_visit(voicing, tuning, weeks, 0, "tuned", "tone is judged on a tuned instrument"),
        still_in_tolerance(
            voicing, regulation, out[instrument], "regulated", "tone follows a regulated action"
        ),
    )


def _skilled(kind: int, people: int) -> tuple[int, ...] | None:
    """Only the first half of the people can regulate and voice."""
    return None if people == 1 or kind < 2 else tuple(range((people + 1) // 2))


SIZES = {"small": (40, 18), "middle": (200, 20), "large": (1000, 26), "huge": (10_000, 26)}


def main() -> None:
    """Print the plan's gap and seconds for each size, and the ratios to its rivals."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", default=["small", "middle", "large"])
    parser.add_argument("--people", type=int, default=1)
    parser.add_argument("--rules", action="store_true")
    parser.add_argument("--limit", type=float, default=60.0)
    parser.add_argument("--direct", action="store_true")
    asked = parser.parse_args()
    for size in asked.sizes:
        instruments, weeks = SIZES[size]
        problem, intervals = invented_season(instruments, weeks, people=asked.people, rules=asked.rules)
        plan = plan_season(problem, asked.limit)
        calendar = calendar_plan(problem, intervals)
        told(f"{size} ({instruments} x 4 x {weeks})", plan)
        print(f"  plan / best calendar = {plan.cost / calendar.cost:.3f} in weighted days out")
        if asked.direct:
            judge = solve_direct(problem, asked.limit)
            told("  one flow model in HiGHS", judge)
            print(f"  seconds of the plan / of HiGHS = {plan.seconds / judge.seconds:.3f}")


def told(name: str, result: SeasonResult) -> None:
    """Outcome, gap and seconds in one line."""
    print(f"{name}: {result.outcome}, gap {100 * result.gap:.4f} %, {result.seconds:.1f} s")


if __name__ == "__main__":
    main()
