"""The day on which the pages are read in these tests, and a house to read them in."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import time_machine

from tests import factories as make
from tests.reports.house import House, make_house


@pytest.fixture(autouse=True)
def on_the_day():
    """Read every page on the morning of Wednesday 25 November 2026."""
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        yield


@pytest.fixture
def house(db) -> House:
    return make_house(make.TODAY)


@pytest.fixture
def read(client, house):
    """Read a page as the technician of the house, or as somebody else; return its text."""

    def reader(path: str, user=None, status: int = 200, **headers: str) -> str:
        client.force_login(user or house.technician)
        answer = client.get(path, headers=headers)
        assert answer.status_code == status, answer.content[:300]
        return answer.content.decode()

    return reader
