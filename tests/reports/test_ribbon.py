"""The season ribbon: today in its middle, wood before it, work and concerts after it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from reports.ribbon import build_ribbon
from tests import factories as make
from tests.factories import TODAY

MONDAY = TODAY - timedelta(days=2)


@pytest.fixture
def site(db):
    return make.make_site()


def test_today_lies_where_the_days_say(site):
    # The axis runs from 182 days before this week's Monday to 182 days after it; today is its Wednesday.
    assert build_ribbon(site, TODAY).today == pytest.approx(100 * 184 / 364, abs=0.01)


def test_a_site_without_readings_or_plan_has_an_empty_ribbon(site):
    ribbon = build_ribbon(site, TODAY)
    assert (ribbon.line, ribbon.area, ribbon.ticks, ribbon.concerts) == ("", "", (), ())
    assert ribbon.moisture_now is None


def test_steady_air_draws_a_level_line_in_the_middle(site):
    make.make_climate(make.make_room(site), TODAY - timedelta(days=460), 461, make.steady(21.0, 0.5))
    ribbon = build_ribbon(site, TODAY)
    heights = {float(y) for y in re.findall(r"[ML][\d.]+ ([\d.]+)", ribbon.line)}
    assert heights == {50.0}
    assert ribbon.line.count("M") == 1
    # Wood Handbook table 4-2 at 21.1 degC and 50 %: 9.2 %, printed to one decimal.
    assert ribbon.moisture_now == pytest.approx(0.092, abs=0.0011)
    assert ribbon.year_ago != ""


def test_a_gap_lifts_the_pen(site):
    room = make.make_room(site)
    make.make_climate(room, TODAY - timedelta(days=100), 40)
    make.make_climate(room, TODAY - timedelta(days=50), 51)
    ribbon = build_ribbon(site, TODAY)
    assert ribbon.line.count("M") == 2
    assert ribbon.area.count("Z") == 2


def test_work_is_ticks_as_long_as_its_hours_and_concerts_are_dots(site):
    room = make.make_room(site)
    plan = make.make_plan(site, MONDAY)
    first, second = make.make_instrument(room), make.make_instrument(room)
    make.make_visit(plan, first, MONDAY, hours=4)
    make.make_visit(plan, second, MONDAY, hours=4)
    make.make_visit(plan, first, MONDAY + timedelta(weeks=2), hours=2)
    make.make_booking(room, datetime(2026, 12, 5, 18, tzinfo=UTC), performance=True)
    make.make_booking(room, datetime(2026, 12, 6, 18, tzinfo=UTC), performance=False)
    ribbon = build_ribbon(site, TODAY)
    # Eight hours are the most, so that tick rises to the top; two are a quarter of them.
    assert [tick.from_top for tick in ribbon.ticks] == [0.0, 60.0]
    assert ribbon.concerts == (pytest.approx(100 * 194 / 364, abs=0.01),)


def test_another_site_s_air_work_and_concerts_stay_out_of_it(site):
    other = make.make_site()
    room = make.make_room(other)
    make.make_climate(room, TODAY - timedelta(days=100), 101)
    make.make_visit(make.make_plan(other, MONDAY), make.make_instrument(room), MONDAY)
    make.make_booking(room, datetime(2026, 12, 5, 18, tzinfo=UTC), performance=True)
    ribbon = build_ribbon(site, TODAY)
    assert (ribbon.line, ribbon.ticks, ribbon.concerts) == ("", (), ())


def test_the_ribbon_stands_on_the_pages_of_a_site_and_leads_to_the_season(read):
    text = read("/rooms/")
    assert re.search(r'<a class="ribbon" href="/season/"[^>]*aria-label="Season ribbon', text)
    assert "Wood moisture" in text
