"""What a letter says that the last one did not: moves, records, air, days; expected values by hand."""

from datetime import UTC, date, datetime, timedelta

import pytest

from scheduling import day_times, due_work, letters, planning
from scheduling.day_times import Sitting
from scheduling.models import Forecast, PlannedVisit
from scheduling.plans_ahead import plans_by_week
from scheduling.week_air import air_notes
from tests import factories
from tests.factories import MONDAY, TODAY
from tests.scheduling.letters.test_composing import draft_to

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
WEEK = timedelta(weeks=1)
NEXT = MONDAY + WEEK


def next_letter(school):
    """Return the text of the first technician's letter of the week after, on one line."""
    draft = next(
        draft
        for draft in letters.compose(school.site, NEXT, TODAY + WEEK)
        if draft.person == school.people[0]
    )
    return " ".join(draft.text.split())


def moves(text: str) -> str:
    return text.partition("WHAT MOVED SINCE YOUR LAST LETTER, AND WHY ")[2].partition(" WITH CARE")[0]


@pytest.fixture
def told(school):
    """The letters of the first week are out; the first technician was told of visits in three weeks."""
    one = school.instruments[0]
    factories.make_forecast(one, due_middle=date(2026, 12, 12))
    for number, kind in ((1, "voicing"), (2, "regulation")):
        factories.make_visit(
            school.plan, one, MONDAY + number * WEEK, kind=kind, technician=school.people[0], hours=2
        )
    letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)
    return school


def test_a_first_letter_and_one_after_a_quiet_week_speak_of_no_moves(told):
    assert "WHAT MOVED" not in draft_to(told).text
    factories.make_service(told.instruments[0], MONDAY + timedelta(days=1))
    assert "WHAT MOVED" not in next_letter(told)


def test_what_was_to_be_done_and_has_no_record_is_told_with_its_new_week(told):
    visit = PlannedVisit.objects.get(technician=told.people[0], kind="tuning")
    PlannedVisit.objects.filter(pk=visit.pk).update(week=NEXT, reason="still the worst")
    said = moves(next_letter(told))
    assert "U-12, tuning: was planned for last week and has no record; now planned for this week." in said
    assert "Why: still the worst" in said


def test_a_move_to_another_week_tells_both_weeks_and_the_forecast_that_moved(told):
    PlannedVisit.objects.filter(technician=told.people[0], kind="tuning").update(week=NEXT + 3 * WEEK)
    Forecast.objects.update(due_middle=date(2027, 1, 9))
    said = moves(next_letter(told))
    assert "now planned for the week of 28 December." in said
    assert "expected out by 9 January 2027 instead of 12 December 2026: the season's humidity" in said
    PlannedVisit.objects.filter(technician=told.people[0], kind="regulation").update(week=NEXT)
    assert "U-12, regulation: moved from the week of 14 December to this week." in next_letter(told)


def test_what_left_the_plan_or_went_to_somebody_else_is_told(told):
    factories.make_service(told.instruments[0], MONDAY)
    PlannedVisit.objects.filter(technician=told.people[0], kind="regulation").delete()
    factories.make_put_off(told.plan, told.instruments[0], kind="regulation", reason="others need it more")
    PlannedVisit.objects.filter(technician=told.people[0], kind="voicing").update(technician=told.people[1])
    factories.make_request(told.instruments[0])
    said = moves(next_letter(told))
    assert "U-12, regulation: no longer planned for the week of 14 December. Why: others need it" in said
    assert "U-12, voicing: goes to Otto Wendling." in said


def test_what_nobody_had_announced_is_told_as_new(told):
    factories.make_service(told.instruments[0], MONDAY)
    other = factories.make_instrument(told.room, "U-77")
    factories.make_visit(told.plan, other, NEXT, technician=told.people[0], reason="a string broke")
    assert moves(next_letter(told)).startswith("- U-77, tuning: new in this week. Why: a string broke")


def test_a_late_letter_leaves_out_what_is_recorded_already(school):
    factories.make_visit(
        school.plan, school.instruments[0], kind="voicing", hours=3, technician=school.people[0]
    )
    factories.make_service(school.instruments[0], MONDAY + timedelta(days=1))
    draft = draft_to(school)
    assert [item["service"] for item in draft.items] == ["voicing"]
    assert draft.subject == "Work for the week of 30 November: 1 visit, 3 hours"
    assert "RECORDED ALREADY THIS WEEK - U-12, tuning, on Tuesday" in draft.text
    assert "U-12, tuning, on Tuesday" in draft.html


def test_a_record_of_another_week_or_another_service_leaves_the_visit_alone(school):
    factories.make_service(school.instruments[0], MONDAY - timedelta(days=1))
    factories.make_service(school.instruments[0], MONDAY, "voicing")
    assert [item["service"] for item in draft_to(school).items] == ["tuning"]


def test_air_that_fell_within_a_week_is_told_with_both_figures(school):
    factories.make_climate(school.room, TODAY - timedelta(days=34), 28, factories.steady(rh=0.46))
    factories.make_climate(school.room, TODAY - timedelta(days=6), 7, factories.steady(rh=0.28))
    (note,) = air_notes(school.site, TODAY)
    assert note.sentence.replace("\N{NO-BREAK SPACE}", " ") == (
        "humidity fell from 46 % to 28 % within a week; pitch sinks and key frames move over the weeks to "
        "come. That is dry enough for joints and soundboards to open: humidify if you can."
    )
    assert "THE AIR" in draft_to(school).text
    assert note.sentence in draft_to(school).html


def test_air_that_stays_within_its_habits_is_not_worth_a_word(school):
    factories.make_climate(school.room, TODAY - timedelta(days=34), 35, factories.steady(rh=0.45))
    assert air_notes(school.site, TODAY) == []
    # two days say nothing of a week
    other = factories.make_room(school.site)
    factories.make_instrument(other)
    factories.make_climate(other, TODAY - timedelta(days=1), 2, factories.steady(rh=0.2))
    assert air_notes(school.site, TODAY) == []


def test_a_sensor_with_doubtful_readings_is_told(school):
    factories.make_climate(school.room, TODAY - timedelta(days=6), 7, factories.steady(rh=0.45))
    school.room.climate_days.filter(date=TODAY).update(doubtful=12)
    (note,) = air_notes(school.site, TODAY)
    assert note.about_sensor
    # seven days of 24 readings
    assert note.sentence == "12 of the week's 168 readings cannot be right; they are kept, not used."


def test_where_the_week_is_laid_out_work_stands_by_day_and_time(school, monkeypatch):
    visit = school.visits[0]
    other = factories.make_visit(school.plan, school.instruments[0], kind="regulation", hours=6)
    PlannedVisit.objects.filter(pk=other.pk).update(technician=school.people[0])

    def sitting(day, hour, end):
        # Vienna is an hour ahead of UTC in winter
        return Sitting(
            datetime(2026, 12, day, hour - 1, tzinfo=UTC), datetime(2026, 12, day, end - 1, tzinfo=UTC)
        )

    times = {other.pk: [sitting(1, 9, 12), sitting(2, 9, 12)], visit.pk: [sitting(3, 8, 10)]}
    monkeypatch.setattr(due_work, "planned_times", lambda *asked: times)
    factories.make_request(school.instruments[0])
    draft = draft_to(school)
    order = ("TUESDAY 1 DECEMBER", "WEDNESDAY 2 DECEMBER", "THURSDAY 3 DECEMBER", "WITH CARE")
    tuesday, wednesday, thursday = (
        draft.text.partition(day)[2].partition(after)[0] for day, after in zip(order, order[1:], strict=False)
    )
    assert "09:00-12:00 regulation, 6 hours in all" in tuesday
    assert "09:00-12:00 regulation, 6 hours in all" in wednesday
    assert "08:00-10:00 tuning, 1.5 hours" in thursday
    assert [text.count("Asked for") for text in (tuesday, wednesday, thursday)] == [1, 0, 0]
    assert [item["times"] for item in draft.items] == [
        [["2026-12-01T08:00:00+00:00", "2026-12-01T11:00:00+00:00"]]
        + [["2026-12-02T08:00:00+00:00", "2026-12-02T11:00:00+00:00"]],
        [["2026-12-03T07:00:00+00:00", "2026-12-03T09:00:00+00:00"]],
    ]


def test_until_the_week_is_laid_out_there_are_no_times(school):
    assert day_times.planned_times(school.site, MONDAY, school.visits) is None
    assert draft_to(school).items[0]["times"] == []


def test_the_plans_of_many_weeks_are_those_that_each_week_finds_alone(school):
    """Against the service that answers for one week, over plans that overlap in every way."""
    for start, weeks, state in ((0, 3, "approved"), (1, 4, "draft"), (2, 2, "approved"), (6, 2, "draft")):
        start_day = MONDAY + start * WEEK
        approved = datetime(2026, 11, 1 + start, tzinfo=UTC) if state == "approved" else None
        factories.make_plan(school.site, start_day, weeks, state=state, approved_at=approved)
    found = plans_by_week(school.site, MONDAY - 2 * WEEK, 24)
    for number in range(24):
        week = MONDAY + (number - 2) * WEEK
        assert found.get(week) == planning.current_plan(school.site, week)
