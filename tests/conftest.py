"""What the end of a run must say: every test that was left out on this machine, and why."""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest
from django.test import override_settings
from django.utils import translation
from hypothesis import settings

# Folders whose tests compute: where one asks for no database, no server can change what it finds.
FOLDERS = ("scheduling/engine", "fleet/demo", "fleet/oddcsv", "fleet/sheets", "fleet/worksheets")
COMPUTING = tuple(Path(__file__).parent / folder for folder in FOLDERS)
# Files that take long: begun first, so that no worker still has one when the others are done.
LONG = (
    "test_up.py",
    "test_doors.py",
    "test_every_door_in_a_browser.py",
    "test_dying.py",
    "test_round_trip.py",
)
STORING = {"db", "transactional_db", "live_server"}


# Examples are drawn anew at every run, but a change about to land is judged by the same ones each time.
settings.register_profile("same_examples", derandomize=True)
if os.environ.get("TESTS_OMIT_NOTHING"):
    settings.load_profile("same_examples")


@pytest.fixture(scope="session", autouse=True)
def passwords_hashed_at_once():
    """Hashing a password is slow by intent, and nobody here guesses one."""
    with override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"]):
        yield


@pytest.fixture(autouse=True)
def language_of_the_house():
    """A page answered in German leaves its thread in German until the next request; a test is no request."""
    yield
    translation.deactivate()


def pytest_collection_modifyitems(items):
    for item in items:
        computes = any(folder in item.path.parents for folder in COMPUTING)
        stores = not STORING.isdisjoint(getattr(item, "fixturenames", ())) or item.get_closest_marker(
            "django_db"
        )
        if computes and not stores:
            item.add_marker(pytest.mark.pure)
    items.sort(key=lambda item: item.path.name not in LONG)


def pytest_terminal_summary(terminalreporter):
    reasons = Counter(report.longrepr[2] for report in terminalreporter.stats.get("skipped", []))
    for reason, number in sorted(reasons.items()):
        terminalreporter.write_line(
            f"Left out here: {number} × {reason.removeprefix('Skipped: ')}", yellow=True
        )
