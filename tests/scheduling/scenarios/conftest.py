"""A small school whose hall is dry in winter, with two technicians; planned over six weeks from today."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from scheduling.planning import Wanted
from scheduling.scenarios.computing import work_out
from tests.factories import (
    MONDAY,
    TODAY,
    make_climate,
    make_instrument,
    make_person,
    make_room,
    make_service,
    make_site,
    seasons,
)

WEEKS = 6
WANTED = Wanted(MONDAY, WEEKS, time_limit=20)
USES = ("concert", "teaching", "practice")


@pytest.fixture
def site(db):
    site = make_site(hour_cost=Decimal("40.00"))
    for name, air in (("Hall", seasons(0.42, 0.16)), ("Attic", seasons(0.45, 0.12))):
        make_climate(make_room(site, name), TODAY - timedelta(days=300), 301, air)
    for number, use in enumerate(USES):
        room = site.rooms.get(name="Attic" if number == 2 else "Hall")
        instrument = make_instrument(room, f"I-{number}", "grand" if number else "upright", use_class=use)
        make_service(instrument, TODAY - timedelta(days=30 + 9 * number), left=0.1)
    make_person(site, "Ada", 3.0, hour_cost=Decimal("55.50"))
    make_person(site, "Bo", 2.0)
    return site


@pytest.fixture
def what_if(site):
    """Work the season out with some changes."""
    return lambda *changes, today=TODAY: work_out(site, WANTED, changes, today)
