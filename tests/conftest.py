"""What the end of a run must say: every test that was left out on this machine, and why."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from django.test import override_settings
from django.utils import translation

# Folders whose tests compute: where one asks for no database, no server can change what it finds.
FOLDERS = ("scheduling/engine", "fleet/demo", "fleet/oddcsv", "fleet/sheets", "fleet/worksheets")
COMPUTING = tuple(Path(__file__).parent / folder for folder in FOLDERS)
STORING = {"db", "transactional_db", "live_server"}


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


def pytest_terminal_summary(terminalreporter):
    reasons = Counter(report.longrepr[2] for report in terminalreporter.stats.get("skipped", []))
    for reason, number in sorted(reasons.items()):
        terminalreporter.write_line(
            f"Left out here: {number} × {reason.removeprefix('Skipped: ')}", yellow=True
        )
