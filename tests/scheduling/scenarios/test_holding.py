"""What holding a room would be worth: asked, computed once, said in words and numbers, and its limits."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Role, Room
from fleet.refusal import Refused
from reports.air.holding import holding_page
from scheduling import holding, ticking
from scheduling.engine.held_year import LineYear
from scheduling.holding import CALENDAR, ONCE_OUT, Question
from scheduling.models import HoldingStudy
from scheduling.season_changes import Author
from tests.factories import TODAY, make_instrument, make_room, make_site, make_user

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
ADA = Author(None, "Ada")


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(NOW, tick=False):
        yield


def ask(site, low=0.40, high=0.50, first=TODAY, room="Hall"):
    return holding.ask(Question(Room.objects.get(site=site, name=room), low, high, first), ADA, NOW)


def test_a_year_is_computed_once_and_its_hours_times_the_cost_of_one_are_its_money(site):
    study = ask(site)
    assert ask(site).pk == study.pk  # the same that still waits is not asked for twice
    assert ticking.tick(NOW).holdings == [study.pk]
    study = holding.compute(study.pk)
    assert (study.state, study.today, study.paths) == ("done", TODAY, 1000)
    assert holding.compute(study.pk) is None
    # I-2 stands in the attic: what happens in the hall is nothing to it.
    assert {line["tag"] for line in study.lines} == {"I-0", "I-1"}
    page = holding_page(study)
    assert page.days.saved > 0
    assert page.days.low <= page.days.saved <= page.days.high
    hours = page.once_out[1]
    assert page.money.free == hours.free * Decimal("40.00")
    assert page.money.saved == page.money.free - page.money.held == hours.saved * Decimal("40.00")
    for rule in (CALENDAR, ONCE_OUT):
        for measure in ("days", "weighted", "services", "hours"):
            total = sum(line[rule][measure]["saved"] for line in study.lines)
            assert study.sums[rule][measure]["saved"] == pytest.approx(total)
    assert study.sums[CALENDAR]["services"]["saved"] == 0  # the calendar is kept whatever the air does


def test_a_band_the_room_never_leaves_is_worth_nothing_and_says_so(client, site):
    study = holding.compute(ask(site, 0.0, 0.99).pk)
    saved = [study.sums[rule][name] for rule in study.sums for name in study.sums[rule]]
    assert {(one["saved"], one["low"], one["high"]) for one in saved} == {(0.0, 0.0, 0.0)}
    client.force_login(make_user(site, Role.READER))
    text = client.get(f"/rooms/held/{study.pk}/").content.decode()
    assert "it would spare nothing" in text
    assert "qualified electrician" in text


def test_ranges_are_the_tenths_of_all_lines_together_future_by_future():
    """By hand: two lines whose gains are 0..10 and 10..0 over eleven futures add up to ten in every one."""
    gains = np.arange(11.0), np.arange(11.0)[::-1]
    years = []
    for place, gain in enumerate(gains):
        table = np.zeros((2, 2, 11))
        table[0] = gain
        years.append(LineYear(place, table, table, table))

    class Line:
        instrument_id, weight, hours = 7, 4.0, 1.5
        subject = type("Subject", (), {"instrument": "G-1", "service": "tuning"})

    found = holding.summed_up(years, [Line(), Line()])
    days = found["sums"][CALENDAR]["days"]
    assert (days["saved"], days["low"], days["high"], days["error"]) == (10.0, 10.0, 10.0, 0.0)
    first = found["lines"][0][CALENDAR]
    assert (first["days"]["low"], first["days"]["saved"], first["days"]["high"]) == (1.0, 5.0, 9.0)
    assert first["weighted"]["saved"] == 20.0
    assert first["hours"]["saved"] == 7.5


@pytest.mark.parametrize(
    "low,high,first,said",
    [
        (0.5, 0.4, TODAY, "rising"),
        (0.4, 0.5, TODAY - timedelta(days=1), "2026-11-25 to"),
        (0.4, 0.5, TODAY + timedelta(days=736), "too far ahead"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_nothing_is_saved(site, low, high, first, said):
    with pytest.raises(Refused, match=said):
        ask(site, low, high, first)
    assert not HoldingStudy.objects.exists()


def test_a_room_where_nothing_stands_says_so_and_a_later_day_counts_who_will_stand_there(site):
    make_room(site, "Cellar")
    refused = holding.compute(ask(site, room="Cellar").pk)
    assert (refused.state, "no instrument stands in Cellar" in refused.trouble) == ("refused", True)
    soon = holding.compute(ask(site, first=TODAY + timedelta(days=40)).pk)
    assert (soon.state, soon.first_day) == ("done", TODAY + timedelta(days=40))


def test_the_form_asks_the_page_shows_and_the_file_takes_the_same_numbers_along(
    client,
    site,
    monkeypatch,
    django_capture_on_commit_callbacks,
):
    woken = []
    monkeypatch.setattr("scheduling.tasks.compute_holding.delay", woken.append)
    client.force_login(make_user(site))
    room = Room.objects.get(site=site, name="Hall")
    assert f'value="{room.pk}" selected' in client.get(f"/rooms/held/ask/?room={room.pk}").content.decode()
    half = client.post(
        "/rooms/held/ask/", {"room": room.pk, "low": "60", "high": "50", "first": "2026-11-25"}
    )
    assert (half.status_code, 'value="60"' in half.content.decode()) == (422, True)
    with django_capture_on_commit_callbacks(execute=True):
        said = {"room": room.pk, "low": "40", "high": "50", "first": "2026-11-25"}
        path = client.post("/rooms/held/ask/", said).url
    assert "Waits for the worker." in client.get(path).content.decode()
    study = holding.compute(woken[0])
    page = holding_page(study)
    text = client.get(path).content.decode()
    assert f"<strong>{page.days.saved} instrument-days out of tolerance</strong>" in text
    assert "hx-trigger" not in text.split('id="holding"')[1][:80]
    rows = list(csv.DictReader(io.StringIO(client.get(f"{path}as/csv/").content.decode("utf-8-sig"))))
    money = next(row for row in rows if row["measure"] == "money")
    assert (money["without"], money["with"], money["unit"]) == (
        str(page.money.free),
        str(page.money.held),
        site.currency,
    )
    assert len(rows) == 4 + 5 + 8 * len(study.lines)
    assert client.get(f"{path}as/xlsx/").content[:2] == b"PK"
    assert client.get(f"{path}as/pdf/").status_code == 404
    assert "Hall" in client.get(f"/rooms/held/?room={room.pk}").content.decode()
    what_if = client.get("/season/what-if/new/?held_room=Hall&held_low=40&held_high=50&held_from=2026-11-25")
    assert 'value="2026-11-25"' in what_if.content.decode()


def test_equipment_is_paid_back_by_the_money_of_a_year_less_its_running_cost(client, site):
    """By hand: 992 at 248 a year is four years, five at 200, 2.8 at 352; with 60 a year to run, 5.3."""
    figure = {"free": 10.0, "held": 3.75, "saved": 6.25, "low": 5.0, "high": 8.75, "error": 0.1}
    measures = {name: {**figure, "held": 3.8} for name in ("days", "weighted", "services", "hours")}
    study = HoldingStudy.objects.create(
        site=site,
        room=Room.objects.get(site=site, name="Hall"),
        low_rh=0.4,
        high_rh=0.5,
        first_day=TODAY,
        asked_at=NOW,
        state="done",
        today=TODAY,
        hour_cost=Decimal("40.00"),
        paths=1000,
        sums={CALENDAR: measures, ONCE_OUT: measures},
    )
    client.force_login(make_user(site))
    path = f"/rooms/held/{study.pk}/"
    text = client.get(f"{path}?price=992").content.decode()  # 6.2 h at 40 are 248 a year
    assert "After about 4.0 years" in text
    assert "between 2.8 and 5.0 years" in text  # 8.8 h at 40 are 352, 5.0 h are 200
    assert "After about 5.3 years" in client.get(f"{path}?price=992&running=60").content.decode()
    assert "never pays" in client.get(f"{path}?price=992&running=248").content.decode()
    assert "in one of ten never" in client.get(f"{path}?price=992&running=200").content.decode()
    assert "Ensure this value" in client.get(f"{path}?price=-1").content.decode()


def test_readers_ask_nothing_and_strangers_find_nothing(client, site):
    study = ask(site)
    client.force_login(make_user(site, Role.READER))
    assert client.get("/rooms/held/ask/").status_code == 403
    assert client.post(f"/rooms/held/{study.pk}/cancel/").status_code == 403
    client.force_login(make_user(make_site()))
    assert client.get(f"/rooms/held/{study.pk}/").status_code == 404
    client.force_login(make_user(site))
    client.post(f"/rooms/held/{study.pk}/cancel/")
    assert holding.compute(study.pk) is None
    assert "Cancelled." in client.get(f"/rooms/held/{study.pk}/").content.decode()


def test_the_list_asks_as_often_for_thirty_as_for_three(client, site):
    client.force_login(make_user(site))

    def queries(count):
        while HoldingStudy.objects.count() < count:
            room = make_room(site)
            make_instrument(room)
            holding.ask(Question(room, 0.4, 0.5, TODAY), ADA, NOW)
        with CaptureQueriesContext(connection) as found:
            client.get("/rooms/held/")
        return len(found)

    queries(3)
    assert queries(3) == queries(30)
