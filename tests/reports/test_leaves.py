"""The leaves of the fleet in figures: what is drawn, told and taken along, against sums and wood by hand."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.http import QueryDict

from reports.budget.ledger import Stand, read_ledger
from reports.leaves.due import due_leaf
from reports.leaves.hours import hours_leaf
from reports.leaves.season import season_leaf
from reports.leaves.weather import weather_leaf
from scheduling.models import Appointment, WeekPlan
from tests import factories as make
from tests.factories import MONDAY, TODAY

NOTHING = QueryDict("")
WEEK = timedelta(weeks=1)


@pytest.fixture
def school(db):
    site = make.make_site()
    old, new = make.make_room(site, "Cellar", "Old House"), make.make_room(site, "Studio", "New Hall")
    for room, tag in ((old, "G-1"), (old, "G-2"), (new, "U-1")):
        make.make_instrument(room, tag, "grand" if tag[0] == "G" else "upright")
    return site


@pytest.fixture
def ask(client, school):
    client.force_login(make.make_user(school))
    return lambda path: client.get(path)


def lines_of(answer) -> list[list[str]]:
    return list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"), newline="")))


@pytest.fixture
def due(school):
    run = make.make_run(school)
    first, second, third = school.instruments.order_by("tag")
    make.make_forecast(
        first, run=run, due_early=TODAY, due_middle=TODAY, due_late=TODAY, state="out", out_now=0.9
    )
    make.make_forecast(second, run=run, due_early=MONDAY, due_middle=MONDAY + 5 * WEEK, due_late=None)
    make.make_forecast(third, run=run, due_early=None, due_middle=None, due_late=None, out_now=0.0)
    make.make_plan(school, weeks=10)
    return school


def test_due_windows_are_drawn_for_those_that_may_leave_within_the_season(due, ask):
    leaf = due_leaf(due, NOTHING, TODAY)
    assert [row.tag for row in leaf.rows] == ["G-1", "G-2", "U-1"]
    assert (leaf.last, leaf.likely, leaf.out) == (MONDAY + 10 * WEEK, 2, 1)
    figure = ask("/fleet/due/figure/").json()
    assert figure["rows"] == ["G-1 · Cellar", "G-2 · Cellar"]
    assert figure["early"] == [TODAY.isoformat(), MONDAY.isoformat()]
    assert figure["middle"] == [TODAY.isoformat(), (MONDAY + 5 * WEEK).isoformat()]
    assert figure["late"] == [TODAY.isoformat(), None]
    assert figure["out"] == [True, False]
    page = ask("/fleet/due/").content.decode()
    assert "Of 3 instruments with a forecast of tuning, 2 more likely than not leave" in page
    assert [line[0] for line in lines_of(ask("/fleet/due/as/csv/"))] == ["tag", "G-1", "G-2", "U-1"]


@pytest.fixture
def swings(school):
    run = make.make_run(school)
    numbers = {"G-1": (-0.2, 0.1, 0.45, 0.2), "G-2": (0.9, 0.05, 0.45, 0.2), "U-1": (0.5, 0.1, 0.35, 0.16)}
    for one in school.instruments.all():
        rows = [["warmth", -0.3, 0.3, -0.3, 0.3], ["humidity", *numbers[one.tag]]]
        make.make_forecast(one, run=run, sensitivities=rows, learned_from=1 if one.tag == "U-1" else 9)
        make.make_forecast(
            one, "voicing", run, unit="mark", sensitivities=[["playing", 0.4, 0.1, 0.39, 0.13]]
        )
    return school


def test_who_moves_most_comes_first_with_what_was_learned_and_what_is_usual(swings, ask):
    leaf = weather_leaf(swings, NOTHING, TODAY)
    assert [(one.tag, one.few, one.surprising) for one in leaf.swings] == [
        ("G-2", False, True),  # 0.9 lies above 0.45 + 1.2816 x 0.2 = 0.706
        ("U-1", True, False),
        ("G-1", False, True),
    ]
    assert [(place.room, place.instruments, place.mean) for place in leaf.places] == [
        ("Cellar", 2, pytest.approx(0.55)),
        ("Studio", 1, pytest.approx(0.5)),
    ]
    figure = ask("/fleet/weather/figure/").json()
    assert figure["mean"] == [0.9, 0.5, -0.2]
    # 10 and 90 % of a normal distribution lie 1.2816 standard deviations from its mean (scipy.stats.norm).
    assert figure["low"] == pytest.approx([0.9 - 0.06408, 0.5 - 0.12816, -0.2 - 0.12816], abs=1e-5)
    assert figure["usual_high"] == pytest.approx([0.45 + 0.25632, 0.35 + 0.20506, 0.45 + 0.25632], abs=1e-5)
    table = lines_of(ask("/fleet/weather/as/csv/"))
    assert table[0][5] == "mean, cents/%"
    assert [(line[0], line[4], Decimal(line[5])) for line in table[1:]] == [
        ("G-2", "9", Decimal("0.9")),
        ("U-1", "1", Decimal("0.5")),
        ("G-1", "9", Decimal("-0.2")),
    ]


def test_a_service_that_does_not_answer_the_weather_says_so(swings, ask):
    assert (
        "Nothing is known of how voicing answers" in ask("/fleet/weather/?service=voicing").content.decode()
    )
    assert ask("/fleet/weather/figure/?service=voicing").status_code == 404


@pytest.fixture
def worked(school):
    first, second, _third = school.instruments.order_by("tag")
    plan = make.make_plan(school, MONDAY - WEEK, 8, hours_offered=[12.0] * 8)
    make.make_visit(plan, first, MONDAY - WEEK, hours=1.5)
    make.make_visit(plan, second, MONDAY - WEEK, kind="regulation", hours=6)
    visit = make.make_visit(plan, first, MONDAY, hours=1.5)
    make.make_service(first, date(2026, 11, 23), minutes=25)
    make.make_service(second, date(2026, 11, 23), minutes=25)
    make.make_service(second, TODAY, "voicing", minutes=None)  # three hours are usual
    week = WeekPlan.objects.create(
        **{
            "site": school,
            "week": MONDAY,
            "number": 1,
            "plan": plan,
            "outcome": "optimal",
            "input_hash": "x",
        },
        **{"made_at": datetime(2026, 11, 24, tzinfo=UTC), "cost": 0, "bound": 0, "gap": 0, "seconds": 0},
    )
    begins = datetime(2026, 12, 1, 23, 30, tzinfo=UTC)  # half past midnight on Wednesday in Vienna
    Appointment.objects.create(
        **{"week_plan": week, "visit": visit, "part": 1, "room": first.room, "starts_at": begins},
        ends_at=begins + timedelta(minutes=90),
    )
    return school


def test_hours_stand_on_the_days_on_which_they_were_done_or_are_laid_out(worked, ask):
    leaf = hours_leaf(worked, QueryDict("from=2026-11-25&to=2026-12-01"), TODAY)
    now, ahead = leaf.weeks
    # 25 minutes are 0.42 hours, twice; a service without minutes counts with its usual three hours.
    assert [day.hours for day in now.days] == [Decimal("0.84"), 0, 3, None, None, None, None]
    assert (now.offered, now.planned, now.done) == (12, Decimal("7.5"), Decimal("3.84"))
    assert [day.hours for day in ahead.days] == [None, None, Decimal("1.5"), None, None, None, None]
    assert [day.shade for day in now.days][:3] == [2, 0, 4]
    total = lines_of(ask("/fleet/hours/as/csv/?from=2026-11-23&to=2026-12-06"))
    assert total[1][:5] == ["2026-W48", "2026-11-23", "12.00", "7.50", "3.84"]


def test_hours_agree_with_the_budget_to_the_hundredth(worked):
    leaf = hours_leaf(worked, QueryDict("from=2026-11-02&to=2027-01-10"), TODAY)
    ledger = read_ledger(worked, leaf.first, leaf.last)
    for week in leaf.weeks:
        entries = [one for one in ledger.entries if one.week == week.monday]
        for stand, told in ((Stand.PLANNED, week.planned), (Stand.DONE, week.done)):
            assert sum(one.hours for one in entries if one.stand == stand) == (told or 0)


@pytest.mark.parametrize(
    "query", ["from=soon", "from=2026-12-01&to=2026-01-01", "from=2000-01-01&to=2026-12-31"]
)
def test_days_that_cannot_be_are_said_and_the_usual_ones_shown(worked, ask, query):
    page = ask(f"/fleet/hours/?{query}").content.decode()
    assert 'role="alert"' in page
    assert "Calendar of hours" in page


def test_the_year_is_drawn_over_measured_and_expected_wood(worked, ask):
    for room in worked.rooms.all():
        make.make_climate(room, date(2024, 11, 1), 754, make.seasons(0.45, 0.12))
    leaf = season_leaf(worked, NOTHING, TODAY)
    assert (leaf.name, len(leaf.weeks)) == ("2026/27", 52)
    assert leaf.years[-1] == 2024
    gone = [week for week in leaf.weeks if week.monday <= TODAY]
    assert all(week.measured and week.high - week.low < 0.002 for week in gone[:-1])
    ahead = [week for week in leaf.weeks if week.monday > TODAY + WEEK]
    assert not any(week.measured for week in ahead)
    assert all(week.low < week.moisture < week.high for week in ahead)
    # Air that is driest on 25 January: two years of it teach that the wood is driest soon after.
    driest = min(leaf.weeks, key=lambda week: week.moisture)
    assert date(2027, 1, 11) <= driest.monday <= date(2027, 2, 22)
    figure = ask("/fleet/season/figure/").json()
    assert figure["moisture"] == [round(100 * week.moisture, 2) for week in leaf.weeks]
    assert "2024/25" in ask("/fleet/season/").content.decode()
    table = lines_of(ask("/fleet/season/as/csv/?year=2024"))
    assert table[1][:2] == ["2024-W31", "2024-07-29"]
    assert table[20][5] == "read"


def test_what_is_seen_is_reckoned_from_the_weeks(worked):
    """A step of the air on 1 December: the six weeks from then on hold the one visit planned there."""

    def falls(day: date) -> tuple[float, float]:
        return 21.0, 0.60 - 0.30 / (1 + math.exp(-(day - date(2026, 10, 12)).days / 6))

    make.make_climate(worked.rooms.first(), date(2026, 5, 1), 209, falls)
    leaf = season_leaf(worked, NOTHING, TODAY)
    drying = leaf.drying
    assert date(2026, 9, 14) <= drying.first <= date(2026, 10, 5)
    assert drying.change < -0.02
    # Tuning: 0.84 done is not before this week; 1.5 + 1.5 planned from this week on, nothing in the stretch.
    assert leaf.hours == {"tuning": Decimal("3.0"), "regulation": Decimal("6.00"), "voicing": 0}
    assert drying.shares == {"tuning": 0, "regulation": 0}
    assert "tuning 0\N{NO-BREAK SPACE}%" in leaf.sentences[0]
    make.make_service(worked.instruments.get(tag="U-1"), drying.first + timedelta(days=9), minutes=60)
    assert season_leaf(worked, NOTHING, TODAY).drying.shares["tuning"] == pytest.approx(1 / 4)


def test_a_year_without_readings_supposes_a_usual_one_and_says_so(worked, ask):
    assert "No room has readings" in ask("/fleet/season/").content.decode()
    assert ask("/fleet/season/?year=99999").status_code == 200
    for path in ("/fleet/none/", "/fleet/none/figure/", "/fleet/due/as/docx/"):
        assert ask(path).status_code == 404
