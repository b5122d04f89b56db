"""A table of how well forecasts of invented fleets agree with the hidden truth, over several seeds.

Run from the repository's root: ``python tests/benchmarks/calibration.py [--seeds 1 2 3 4 5 6]
[--instruments 40] [--rooms 16] [--years 5] [--folds 6]``. Every instrument and kind of service with at least
three records counts. Rivals are the two baselines of the backtest.
"""

import argparse
import os
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()

from fleet.demo.spec import FleetSpec
from tests.calibration import FEWEST_RECORDS, Scores, fleet_of, score

LINE = "{:<12}{:>9}{:>8}{:>9}{:>8}{:>8}{:>9}{:>9}{:>9}{:>7}{:>8}{:>8}{:>8}{:>8}{:>8}{:>8}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5, 6])
    parser.add_argument("--instruments", type=int, default=40)
    parser.add_argument("--rooms", type=int, default=16)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--folds", type=int, default=6)
    asked = parser.parse_args()
    begun = time.process_time()
    whole, by_seed = Scores(), []
    for seed in asked.seeds:
        spec = FleetSpec(n_instruments=asked.instruments, n_rooms=asked.rooms, seed=seed, years=asked.years)
        fleet = fleet_of(spec)
        alone = Scores()
        score(alone, fleet, seed, asked.folds)
        by_seed.append(alone)
        for name in ("inside", "places", "ends", "pairs"):
            for kind, found in getattr(alone, name).items():
                getattr(whole, name)[kind] += found
        whole.sensitivity_inside += alone.sensitivity_inside
    print(f"{asked.instruments} instruments in {asked.rooms} rooms, {asked.years} years, seeds {asked.seeds}")
    write(whole)
    shares = [one.coverage() for one in by_seed]
    print(f"80 % interval by seed: {', '.join(f'{share:.3f}' for share in shares)}; sd {np.std(shares):.3f}")
    print(f"{time.process_time() - begun:.0f} s of processor time")


def write(scores: Scores) -> None:
    """Print a row for each kind of service and one for all."""
    head = ("", "Mondays", "in 80 %", "subjects", "early", "middle", "late", "today", "really")
    print(LINE.format(*head, "never", "really", "values", "fixed", "season", "fixed3", "season3"))
    for kind in sorted(scores.inside):
        gains = [f"{gain:.1%}" for least in (1, FEWEST_RECORDS) for gain in scores.gains(kind, least)]
        print(row(scores, kind, [kind], len(scores.pairs[kind]), *gains))
    print(row(scores, "all", list(scores.inside), sum(map(len, scores.pairs.values())), "", "", "", ""))
    print(
        "early, middle, late: share of true first days up to the date told, randomised; right: 0.1, 0.5, 0.9"
    )
    print("today, never: mean probability told that the day is today or beyond the horizon, and how often so")
    print("fixed, season: by how much the CRPS of found values is lower than the baseline's")
    print("fixed3, season3: the same of those found after three records or more")
    n = len(scores.sensitivity_inside)
    print(f"sensitivity within its 80 % interval: {scores.sensitivity_coverage():.3f} of {n} with ten values")


def row(scores: Scores, name: str, kinds: list[str], pairs: int, *gains: str) -> str:
    """One line of the table."""
    places = sum(len(scores.places[kind]) for kind in kinds)
    ends = np.mean(np.concatenate([scores.ends[kind] for kind in kinds]), axis=0)
    return LINE.format(
        name,
        sum(len(scores.inside[kind]) for kind in kinds),
        f"{scores.coverage(kinds):.3f}",
        places,
        *(f"{share:.3f}" for share in scores.reached(kinds)),
        *(f"{share:.3f}" for share in ends),
        pairs,
        *gains,
    )


if __name__ == "__main__":
    main()
