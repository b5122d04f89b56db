"""Weeks laid out from stored facts: people's days, bookings, performances, records, and rows that stay."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import ServiceRule
from fleet.refusal import Refused
from scheduling import due_work, letters, week_planning
from scheduling.models import WeekPlan
from tests import factories as make
from tests.factories import MONDAY, TODAY

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Vienna")


class School:
    """A site with one technician, two rooms, a grand and an upright, and a plan with visits as asked."""

    def __init__(self, **plan) -> None:
        self.site = make.make_site()
        self.hall = make.make_room(self.site, "Hall", "New Hall")
        self.attic = make.make_room(self.site, "Attic", "Old House")
        self.grand = make.make_instrument(self.hall, "G-1", "grand", use_class="concert")
        self.upright = make.make_instrument(self.attic, "U-2")
        self.ada = make.make_person(self.site, "Ada", 20.0)
        self.plan = make.make_plan(self.site, MONDAY, 4, hours_offered=[20.0] * 4, **plan)

    def visit(self, instrument=None, kind="tuning", hours=1.5, **fields):
        fields.setdefault("technician", self.ada)
        return make.make_visit(self.plan, instrument or self.grand, kind=kind, hours=hours, **fields)

    def lay_out(self, now: datetime = NOW, monday: date = MONDAY, **more) -> WeekPlan:
        return week_planning.lay_out_week(self.site, monday, now, **more)


def walls(week: WeekPlan) -> list[tuple[str, str, str, str]]:
    """Tag, kind, day and hours of every appointment as the wall shows them."""
    rows = week.appointments.select_related("visit__instrument").order_by("starts_at")
    return [
        (
            row.visit.instrument.tag,
            row.visit.kind,
            f"{row.starts_at.astimezone(ZONE):%a}",
            f"{row.starts_at.astimezone(ZONE):%H:%M}-{row.ends_at.astimezone(ZONE):%H:%M}",
        )
        for row in rows
    ]


def test_visits_get_days_and_times_in_the_order_of_the_trade():
    school = School()
    for kind, hours in (("voicing", 3.0), ("tuning", 1.5), ("bedding", 0.75)):
        school.visit(kind=kind, hours=hours)
    week = school.lay_out()
    assert [kind for _, kind, *_ in walls(week)] == ["bedding", "tuning", "voicing", "voicing"]
    assert walls(week)[0] == ("G-1", "bedding", "Mon", "08:00-08:45")
    assert (week.outcome, week.unplaced.count(), week.gap) == ("optimal", 0, 0.0)
    # The second sitting comes at least twelve hours after the first, so not on its day.
    first, second = (row for row in walls(week) if row[1] == "voicing")
    assert first[2] != second[2]


def test_a_persons_days_hours_lunch_and_absence_are_kept():
    school = School()
    school.ada.working_days, school.ada.day_from, school.ada.day_until = [1, 3], time(10), time(14)
    school.ada.lunch_from, school.ada.lunch_minutes = time(12, 30), 30
    school.ada.save()
    make.make_absence(school.ada, MONDAY + timedelta(days=1), MONDAY + timedelta(days=1))
    school.visit()
    school.visit(school.upright, hours=1.0)
    assert [row[2:] for row in walls(school.lay_out())] == [("Thu", "10:00-11:30"), ("Thu", "13:00-14:00")]


def test_bookings_of_the_room_and_of_the_instrument_elsewhere_are_kept():
    school = School()
    morning = datetime(2026, 11, 30, 7, tzinfo=UTC)  # eight o'clock in Vienna
    make.make_booking(school.hall, morning, 5, title="Rehearsal")
    make.make_booking(school.attic, morning + timedelta(hours=5), 3, [school.grand], title="Class")
    school.visit()
    assert walls(school.lay_out()) == [("G-1", "tuning", "Tue", "08:00-09:30")]


def test_a_room_booked_solid_says_so_and_names_a_later_week():
    school = School()
    make.make_booking(school.hall, datetime(2026, 11, 29, 23, tzinfo=UTC), 24 * 7, title="Auditions")
    school.visit()
    one = school.lay_out().unplaced.get()
    assert one.rules == ["room booked"]
    assert "Auditions, Mon 30 Nov 00:00 to Mon 7 Dec 00:00" in one.reason
    assert one.moves_to == MONDAY + timedelta(weeks=1)


def test_a_tuning_is_made_within_48_hours_of_its_performance():
    school = School()
    friday = datetime(2026, 12, 4, 18, tzinfo=UTC)
    make.make_booking(school.hall, friday, performance=True, title="Gala")
    school.visit(dated=True)
    assert walls(school.lay_out()) == [("G-1", "tuning", "Fri", "08:00-09:30")]


def test_two_performances_days_apart_have_a_tuning_each_and_one_for_two_evenings_running():
    school = School()
    for day in (1, 4, 5):
        evening = datetime(2026, 11, 30, 18, tzinfo=UTC) + timedelta(days=day)
        make.make_booking(school.hall, evening, performance=True, title=f"Evening {day}")
    school.visit(hours=3.0, dated=True)
    assert [row[2] for row in walls(school.lay_out())] == ["Tue", "Fri"]


def test_a_performance_on_sunday_cannot_be_tuned_for_by_who_works_to_friday():
    school = School()
    make.make_booking(school.hall, datetime(2026, 12, 6, 19, tzinfo=UTC), performance=True, title="Gala")
    school.visit(dated=True)
    one = school.lay_out().unplaced.get()
    assert one.rules == ["tuning before a performance", "working hours"]
    assert "Gala on Sun 6 Dec" in one.reason
    assert one.moves_to is None


def test_no_hardener_in_the_two_days_before_a_performance():
    school = School()
    make.make_booking(school.hall, datetime(2026, 12, 4, 18, tzinfo=UTC), performance=True, title="Gala")
    school.visit(kind="voicing", hours=1.5)
    assert {row[2] for row in walls(school.lay_out())} <= {"Mon", "Tue"}


def test_nothing_is_judged_while_a_recorded_hardener_dries():
    school = School()
    wet = datetime(2026, 12, 1, 9, tzinfo=UTC)
    applied = datetime(2026, 11, 28, 9, tzinfo=UTC)
    make.make_service(school.grand, TODAY, "voicing", hardener_at=applied, dry_at=wet)
    school.visit()
    assert walls(school.lay_out()) == [("G-1", "tuning", "Tue", "10:00-11:30")]


def test_a_concert_in_a_room_without_an_instrument_for_it_is_said():
    school = School()
    make.make_booking(school.attic, datetime(2026, 12, 3, 18, tzinfo=UTC), performance=True, title="Trios")
    assert school.lay_out().notes == [
        "Trios on Thursday 3 December in Attic: no instrument is named, and none for concerts or recitals "
        "stands there, so nothing is tuned for it"
    ]


def test_zero_visits_and_zero_hours_have_clear_answers():
    school = School()
    week = school.lay_out()
    assert (week.outcome, week.cost, week.appointments.count(), week.unplaced.count()) == ("optimal", 0, 0, 0)
    school.ada.hours_per_week = 0
    school.ada.save()
    school.visit()
    assert school.lay_out().unplaced.get().rules == ["hours offered"]


def test_the_reserve_stays_free():
    school = School()
    school.site.reserve_hours = 17
    school.site.save()
    for instrument in (school.grand, school.upright):
        school.visit(instrument, hours=1.5)
    assert sum(row.visit.hours for row in school.lay_out().appointments.all()) == 3.0
    school.site.reserve_hours = 18
    school.site.save()
    assert school.lay_out().unplaced.get().reason.startswith("it takes 1.5 h, and Ada has 0.5 of 2 h left")


def test_work_goes_to_somebody_else_where_the_planned_person_is_away_unless_it_is_held():
    school = School()
    bo = make.make_person(school.site, "Bo", 10.0)
    make.make_absence(school.ada, MONDAY, MONDAY + timedelta(days=6))
    school.visit()
    held = school.visit(school.upright, held=True)
    week = school.lay_out()
    assert week.appointments.get().technician == bo
    assert week.unplaced.get().visit == held
    assert week.unplaced.get().rules == ["absence"]


def test_what_is_recorded_is_not_laid_out_again_and_its_hours_are_gone():
    school = School()
    ServiceRule.objects.of_site(school.site).filter(service_kind__kind="tuning").update(hours=1.5)
    school.visit()
    school.visit(school.upright)
    make.make_service(school.grand, MONDAY)
    week = school.lay_out(datetime(2026, 12, 1, 10, tzinfo=UTC))
    assert walls(week) == [("U-2", "tuning", "Tue", "13:00-14:30")]
    assert week.minutes_offered == [[school.ada.pk, round(60 * 18.5)]]


def test_the_same_facts_give_the_same_row_and_other_facts_a_new_one():
    school = School()
    school.visit()
    first = school.lay_out()
    assert school.lay_out(NOW + timedelta(hours=1)) == first
    make.make_booking(school.hall, datetime(2026, 11, 30, 7, tzinfo=UTC), 2)
    second = school.lay_out(by=make.make_user(school.site))
    assert (first.number, second.number) == (1, 2)
    assert walls(first) != walls(second)
    assert week_planning.newest_layout(school.site, MONDAY) == second


def test_a_week_that_has_passed_or_that_no_plan_covers_is_refused():
    school = School()
    for monday, said in ((date(2026, 11, 16), "has passed"), (date(2027, 3, 1), "no season plan covers")):
        with pytest.raises(Refused, match=said):
            school.lay_out(monday=monday)
    assert WeekPlan.objects.count() == 0


def test_another_sites_facts_are_never_mixed_in():
    school, other = School(), School()
    make.make_booking(other.hall, datetime(2026, 11, 30, tzinfo=UTC), 24 * 7)
    school.visit()
    other.visit()
    assert len(walls(school.lay_out())) == 1
    assert school.lay_out().appointments.get().technician == school.ada


def test_reading_takes_as_many_queries_for_many_visits_as_for_few():
    def reads(instruments: int) -> int:
        school = School()
        for _ in range(instruments):
            school.visit(make.make_instrument(school.hall))
        with CaptureQueriesContext(connection) as caught:
            school.lay_out(time_limit=0.0)
        return sum(query["sql"].startswith("SELECT") for query in caught)

    assert reads(12) == reads(3)


def test_letters_tell_the_day_and_time_and_go_to_who_does_the_work():
    school = School()
    bo = make.make_person(school.site, "Bo", 10.0)
    school.visit()
    assert due_work.read_week(school.site, MONDAY, TODAY).times is None
    make.make_absence(school.ada, MONDAY, MONDAY + timedelta(days=6))
    school.lay_out()
    drafts = letters.compose(school.site, MONDAY, TODAY)
    letter = next(draft for draft in drafts if draft.person == bo)
    assert "08:00-09:30 tuning" in letter.text
    assert "Monday 30 November" in letter.text


def test_letters_say_when_bookings_or_absences_overtook_the_times_they_tell():
    school = School()
    school.visit()
    school.lay_out()

    def says_so() -> list[bool]:
        return ["have changed since the days and times" in one.text for one in letters_of(school)]

    assert says_so() == [False]
    elsewhere = make.make_room(school.site, "Cellar")
    make.make_booking(elsewhere, datetime(2026, 12, 1, 8, tzinfo=UTC))
    assert says_so() == [False]  # it bears on nothing that was laid out
    booking = make.make_booking(school.hall, datetime(2026, 12, 1, 8, tzinfo=UTC))
    assert says_so() == [True]
    assert all("have changed since the days and times" in one.html for one in letters_of(school))
    booking.delete()
    assert says_so() == [False]
    make.make_absence(school.ada, MONDAY, MONDAY)
    assert says_so() == [True]
    school.lay_out()
    assert says_so() == [False]


def letters_of(school: School):
    return [draft for draft in letters.compose(school.site, MONDAY, TODAY) if draft.person == school.ada]


def bundled(school: School, **regulation) -> None:
    """Bedding half an hour short beside a regulation of the same week."""
    school.visit(kind="bedding", hours=0.5, beside="regulation", shared_hours=0.25)
    school.visit(kind="regulation", hours=3.0, **regulation)


def test_what_is_short_since_the_action_is_out_is_done_on_the_same_day():
    school = School()
    bundled(school)
    first, second = walls(school.lay_out())[:2]
    assert (first[1], first[3]) == ("bedding", "08:00-08:30")
    assert (second[1], second[2]) == ("regulation", first[2])


def test_it_takes_its_full_hours_where_the_other_work_finds_no_place_and_the_week_says_so():
    school = School()
    bundled(school, technician=None)
    school.ada.skills = ["bedding", "tuning"]
    school.ada.save()
    week = school.lay_out()
    assert [row[1::2] for row in walls(week)] == [("bedding", "08:00-08:45")]
    assert week.unplaced.get().rules == ["skills"]
    assert any("bedding of G-1 takes its full 0.75 h" in note for note in week.notes)


@pytest.mark.parametrize("held", ["bedding", "regulation"])
def test_both_are_done_where_no_one_person_can_do_both(held):
    school = School()
    bo = make.make_person(school.site, "Bo", 20.0)
    bundled(school, technician=bo)
    school.plan.visits.filter(kind=held).update(held=True)
    type(bo).objects.filter(pk=bo.pk).update(skills=["regulation"])
    type(bo).objects.filter(pk=school.ada.pk).update(skills=["bedding"])
    week = school.lay_out()
    assert sorted(row[1] for row in walls(week)) == ["bedding", "regulation"]
    assert ("bedding", "08:00-08:45") in [row[1::2] for row in walls(week)]
    assert [note.split(" takes")[0] for note in week.notes] == ["bedding of G-1"]


def test_it_takes_its_full_hours_where_the_other_work_is_done_already():
    school = School()
    bundled(school)
    make.make_service(school.grand, MONDAY, kind="regulation", left=0.0)
    assert walls(school.lay_out(now=NOW + timedelta(days=6)))[0][1:] == ("bedding", "Tue", "09:00-09:45")
