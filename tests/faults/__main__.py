"""Take away what the almanac stands on, piece by piece, and print what came of it.

Run from the repository's root: ``python -m tests.faults [--only NAME …] [--seed NUMBER]``. It needs the
programs of PostgreSQL and Redis, starts its own of both, and mounts a small disk in memory, for which it must
be root. It ends with 1 where anything acknowledged was lost or something did not come back by itself.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
django.setup()

from tests.faults.taken_away import FAULTS, Outcome  # noqa: E402


def main() -> None:
    names = [fault.__name__ for fault in FAULTS]
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="+", choices=names, default=names)
    parser.add_argument("--seed", type=int, default=20261125)
    asked = parser.parse_args()
    outcomes = []
    for fault in FAULTS:
        if fault.__name__ in asked.only:
            with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
                folder = Path(name)
                folder.chmod(0o755)  # the database server runs as somebody else
                outcomes.append(fault(folder, random.Random(asked.seed)))
                show(outcomes[-1])
    print(
        f"{sum(one.faults for one in outcomes)} faults, rows lost {sum(one.lost for one in outcomes)},"
        f" not held {sum(len(one.broken) for one in outcomes)}"
    )
    sys.exit(any(one.lost or one.broken for one in outcomes))


def show(outcome: Outcome) -> None:
    """Print what came of a fault."""
    print(f"{outcome.name}: {outcome.faults} ×, back by itself in {outcome.back:.1f} s, lost {outcome.lost}")
    print(f"    said: {outcome.said}")
    for broken in outcome.broken:
        print(f"    NOT HELD: {broken}")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
