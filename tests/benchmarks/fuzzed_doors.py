"""Thousands of hostile requests against every door and every form found behind one.

Run from the repository's root: ``python tests/benchmarks/fuzzed_doors.py [--tries 20000] [--seed 1]``;
``DATABASE_URL`` chooses the database server, and a test database of its own is made and dropped. Two sites
are built, and what is sent comes from the people of one of them and from strangers: hostile text, numbers,
days and files in every field, fields missing, repeated and unknown, bodies of the wrong kind, broken and
nested ones, and ids of the other site. The administration's tables are tried in the same way, by whoever
keeps them and by those who may not even see them. What is asked: no error of the server, and by members and
strangers not a row of the other site changed. Printed are how many were tried, their statuses, and each that
went wrong, which the same seed repeats. A short seeded form runs with the tests.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.fuzzing import Tried

ROOT = Path(__file__).resolve().parents[2]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--tries", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection
    from django.test.utils import setup_test_environment, teardown_test_environment

    setup_test_environment()
    logging.disable(logging.CRITICAL)
    name = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0)
    try:
        with tempfile.TemporaryDirectory() as folder:
            settings.UPLOADS_DIR = Path(folder)
            return report(asked.tries, asked.seed)
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        teardown_test_environment()


def report(tries: int, seed: int) -> int:
    """Try and print what came of it; 1 where anything went wrong."""
    from django.db import connection

    from tests.admin_doors import KEEPER, admin_doors, sign_in_a_keeper
    from tests.fuzzing import PEOPLE, Fuzz
    from tests.house_with_doors import prepare

    walk = prepare()
    sign_in_a_keeper(walk)
    tables = admin_doors(walk.things["site"])
    runs = {
        "pages, by members and strangers": (Fuzz(walk, seed), tries * 7 // 10),
        "the administration's tables, by who keeps them": (
            Fuzz(walk, seed, tables, (KEEPER,), KEEPER),
            tries * 2 // 10,
        ),
        "the same, by members and strangers": (Fuzz(walk, seed, tables, PEOPLE, KEEPER), tries // 10),
    }
    print(f"{connection.vendor}, seed {seed}", flush=True)
    wrong = []
    for name, (fuzz, share) in runs.items():
        began = time.perf_counter()
        tried = fuzz.run(share)
        show(name, tried, time.perf_counter() - began)
        wrong += tried.wrong
    print(f"errors of the server, or rows of another site changed: {len(wrong)}")
    return 1 if wrong else 0


def show(name: str, tried: Tried, seconds: float) -> None:
    """Print what came of the tries."""
    least = min(tried.doors.values())
    print(f"{name}: {tried.tries:,} requests in {seconds:.0f} s")
    print(f"  {len(tried.doors)} doors, the least often tried {least} times; {tried.forms} forms")
    statuses = (f"{status} × {number:,}" for status, number in sorted(tried.statuses.items()))
    print("  statuses: " + ", ".join(statuses), flush=True)
    for one in tried.wrong[:40]:
        print("\n  " + one, flush=True)


if __name__ == "__main__":
    sys.exit(main())
