"""A record made late, out of order, or of an instrument that moved lands in its place of the forecast."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
import time_machine

from fleet.forms import LONGEST_TOKEN
from fleet.models import FactChange, Service
from scheduling import changed_facts
from scheduling.models import Forecast
from tests import factories as make
from tests.factories import TODAY

pytestmark = pytest.mark.django_db
DAMP, DRY = 0.62, 0.32


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        yield


@pytest.fixture
def school():
    """A grand that has stood in a damp room, and in a dry one since ten days ago."""
    site = make.make_site("Quiet School")
    site.service_kinds.exclude(kind="tuning").delete()
    cellar, attic = make.make_room(site, "Cellar"), make.make_room(site, "Attic")
    make.make_climate(cellar, TODAY - timedelta(days=300), 301, make.steady(rh=DAMP))
    make.make_climate(attic, TODAY - timedelta(days=300), 301, make.steady(rh=DRY))
    grand = make.make_instrument(attic, "G-1", "grand")
    make.make_placement(grand, cellar, TODAY - timedelta(days=300), TODAY - timedelta(days=11))
    make.make_placement(grand, attic, TODAY - timedelta(days=10))
    make.make_service(grand, TODAY - timedelta(days=200), left=0.0)
    changed_facts.take_in(site, TODAY)
    return grand


@pytest.fixture
def enter(client, school):
    """Record a tuning through the form, let the forecasts take it in, and return that of the tuning."""
    client.force_login(make.make_user(school.site))

    def post(days_ago, **said):
        day = (TODAY - timedelta(days=days_ago)).isoformat()
        token = f"{days_ago} {said}"[:LONGEST_TOKEN]
        form = {"day": "other", "other_day": day, "token": token, "left_side": "right", **said}
        answer = client.post(f"/record/{school.pk}/tuning/", form)
        assert answer.status_code == 302, answer.content.decode()
        return taken_in(school)

    return post


def taken_in(grand):
    changed_facts.take_in(grand.site, TODAY)
    assert not FactChange.objects.exists()
    return Forecast.objects.get(instrument=grand, kind="tuning")


def test_a_record_dated_yesterday_counts_from_yesterday(school, enter):
    make.make_service(school, TODAY - timedelta(days=150), left=0.0)
    before = enter(120)
    after = enter(1)
    assert after.last_service == TODAY - timedelta(days=1)
    assert after.out_now < before.out_now


def test_records_entered_out_of_order_give_the_forecast_of_those_entered_in_order(client, school, enter):
    values = {60: {"found": "4", "found_side": "less"}, 30: {"found": "2", "found_side": "less"}}
    for days in (30, 60):
        disordered = enter(days, **values[days])
    for one in Service.objects.filter(date__gt=TODAY - timedelta(days=100)):
        client.post(f"/services/{one.pk}/withdraw/")
    without = taken_in(school)
    for days in (60, 30):
        ordered = enter(days, **values[days], note="again")
    assert disordered.weekly == ordered.weekly != without.weekly
    assert disordered.last_service == ordered.last_service == TODAY - timedelta(days=30)


def test_a_late_record_of_before_the_move_counts_the_air_of_the_room_it_stood_in(school, enter):
    # Damper is sharper: tuned there and moved into dry air, it falls; tuned in the dry room, hardly.
    moved = enter(20).weekly[0][2]
    settled = enter(2).weekly[0][2]
    assert moved < settled - 1.0
    assert abs(settled) < abs(moved)


def test_a_corrected_day_moves_the_record_within_the_forecast(client, school, enter):
    assert enter(2).last_service == TODAY - timedelta(days=2)
    one = Service.objects.get(date=TODAY - timedelta(days=2))
    form = {"day": "other", "other_day": (TODAY - timedelta(days=90)).isoformat(), "token": "any"}
    client.post(f"/services/{one.pk}/correct/", {**form, "left_side": "right"})
    assert taken_in(school).last_service == TODAY - timedelta(days=90)


def test_a_worksheet_of_a_tuning_tells_that_its_registers_have_parted(client, school, enter):
    joined = enter(30, found="0")
    notes = {"a1": "-9", "c2": "-9", "c6": "9", "f6": "9"}
    said = {f"p1-{note}-offset-before": value for note, value in notes.items()}
    client.post(f"/services/{Service.objects.get(found=0.0).pk}/correct/?sheet=1", {**said, **day_of(30)})
    parted = taken_in(school)
    one = Service.objects.get(found=0.0)
    assert (one.found_bass, one.found_treble) == (-9.0, 9.0)
    assert parted.digest != joined.digest


def test_a_look_puts_the_forecast_where_it_was_measured_and_counts_as_no_tuning(client, school, enter):
    before = enter(190)
    looked = enter(0, found="7", found_side="less", left_side="", only_measured="on", other_minutes="5")
    one = Service.objects.get(date=TODAY)
    assert (one.found, one.left, one.only_measured) == (-7.0, None, True)
    assert looked.last_service == before.last_service == TODAY - timedelta(days=190)
    (_, _, mean, sd), (_, _, guessed_mean, guessed_sd) = looked.weekly[0], before.weekly[0]
    # The first Monday is five days on, and it still falls in the dry air that it came into ten days ago.
    assert -9.0 < mean < -7.0
    assert sd < guessed_sd / 2
    assert abs(mean - guessed_mean) > 1.0
    assert looked.out_now > 0.99  # 7 cents where 4.5 are tolerated, and nobody has tuned it


def day_of(days_ago):
    day = (TODAY - timedelta(days=days_ago)).isoformat()
    return {"day": "other", "other_day": day, "token": "sheet", "passes": "1", "spares": "2"}
