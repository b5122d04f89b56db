"""Days of many rooms as arrays: the same as the models give, on whichever database."""

from datetime import timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.day_columns import day_columns
from fleet.models import ClimateDay
from tests.factories import TODAY, make_climate, make_room, make_site, seasons

pytestmark = pytest.mark.django_db
FIRST = TODAY - timedelta(days=20)


@pytest.fixture
def site():
    site = make_site()
    for number in range(3):
        make_climate(make_room(site, f"R{number}"), FIRST, 15 + number, seasons(0.4 + number / 100))
    make_room(site, "Without days")
    make_climate(make_room(make_site()), FIRST, 20)
    ClimateDay.objects.filter(room__name="R1", date=FIRST).update(rh_mean=None, hours_covered=0)
    return site


def test_days_are_those_of_the_models_room_by_room_in_one_query(site):
    """Source: Django's own reading of the same rows."""
    until = FIRST + timedelta(days=15)
    with CaptureQueriesContext(connection) as queries:
        found = day_columns(site, FIRST, until, "rh_mean", "hours_covered")
    assert len(queries) == 1
    rooms = list(site.rooms.exclude(name="Without days"))
    assert sorted(found) == sorted(room.pk for room in rooms)
    for room in rooms:
        rows = room.climate_days.filter(date__range=(FIRST, until)).order_by("date")
        days, table = found[room.pk]
        assert days.tolist() == [row.date.toordinal() for row in rows]
        expected = [[np.nan if row.rh_mean is None else row.rh_mean, row.hours_covered] for row in rows]
        np.testing.assert_array_equal(table, np.array(expected, float))


def test_days_without_what_must_be_known_are_left_out_and_so_are_rooms_not_asked_for(site):
    room = site.rooms.get(name="R1")
    days, _ = day_columns(site, FIRST, TODAY, "temp_c_mean", known="rh_mean", rooms=[room.pk, 0])[room.pk]
    assert (days[0], len(days)) == (FIRST.toordinal() + 1, 15)
    assert day_columns(site, FIRST, TODAY, "rh_mean", rooms=[0]) == {}
    assert day_columns(site, FIRST, TODAY, "rh_mean", rooms=[]) == {}
    assert day_columns(site, TODAY + timedelta(days=9), TODAY + timedelta(days=10), "rh_mean") == {}


def test_a_column_that_is_none_is_refused_and_never_reaches_the_database(site):
    with pytest.raises(ValueError, match="no columns of a day: rh_mean; DROP"):
        day_columns(site, FIRST, TODAY, "rh_mean; DROP")
