from datetime import date, timedelta

import numpy as np
import pytest

from scheduling.dated_work import dated_work
from scheduling.engine.subjects import Record, Stay, Subject
from scheduling.inputs import HoursOffered, Line, Performance
from tests.factories import MONDAY

START = MONDAY
TODAY = MONDAY - timedelta(days=5)


class Tuner:
    """Stands in for a person: only the name and the skills matter here."""

    def __init__(self, name, *skills):
        self.name, self.skills = name, skills

    def can_do(self, kind):
        return not self.skills or kind in self.skills


def line(pk, service="tuning", hours=1.5, records=()):
    subject = Subject(
        instrument=f"C-{pk}", service=service, instrument_kind="grand", use_class="concert", tolerance=2.0,
        unit="cents", interval_days=14.0, built_day=1, in_service_day=1, hours_per_week=8.0, glides=6,
        lever_front_mm=220.0, lever_back_mm=110.0, humidity_control=False, stays=(Stay(1, "Hall"),),
        records=tuple(Record(day.toordinal(), None, None) for day in records),
    )  # fmt: skip
    return Line(subject, pk, 8.0, hours)


def offered(*people, hours=10.0, weeks=2):
    return HoursOffered(tuple(people), np.full((len(people), weeks), hours))


def performance(day, pk=1, title="Recital"):
    return Performance(pk, START + timedelta(days=day), title)


def work(performed, lines=None, people=None, held=(), today=TODAY):
    return dated_work(lines or [line(1)], performed, held, people or offered(Tuner("Ada")), START, today)


def test_a_performance_takes_the_hours_of_a_tuning_off_its_week():
    done = work([performance(8)])
    assert [(t.line, t.day, t.person) for t in done.tunings] == [(0, date(2026, 12, 8), 0)]
    assert done.hours.tolist() == [[10.0, 8.5]]


def test_one_tuning_serves_the_performances_of_its_day_and_the_next_and_the_third_day_needs_another():
    done = work([performance(1, title="One"), performance(2, title="Two"), performance(3, title="Three")])
    assert [(t.day, t.titles) for t in done.tunings] == [
        (date(2026, 12, 1), ("One", "Two")),
        (date(2026, 12, 3), ("Three",)),
    ]
    assert done.hours[0, 0] == 7.0


def test_a_tuning_recorded_the_day_before_serves_the_performance():
    monday = START
    tuned = [line(1, records=[monday])]
    assert work([performance(1)], tuned, today=monday).tunings == []
    assert len(work([performance(2)], tuned, today=monday).tunings) == 1


def test_a_performance_that_is_over_asks_for_nothing():
    assert work([performance(1)], today=START + timedelta(days=2)).tunings == []


def test_only_the_tuning_is_dated_and_only_of_instruments_that_are_in_use():
    lines = [line(1, "voicing"), line(1), line(2)]
    assert [t.line for t in work([performance(1), performance(1, pk=9)], lines).tunings] == [1]


def test_it_goes_to_whoever_can_tune_and_has_most_hours_left():
    people = HoursOffered(
        (Tuner("Ada", "tuning"), Tuner("Bo", "voicing"), Tuner("Cy")), np.array([[4.0], [40.0], [5.0]])
    )
    done = work(
        [performance(1), performance(1, pk=2), performance(1, pk=3)], [line(1), line(2), line(3)], people
    )
    assert [t.person for t in done.tunings] == [2, 0, 2]
    assert done.hours[:, 0].tolist() == [2.5, 40.0, 2.0]


def test_the_same_person_tunes_an_instrument_all_week():
    people = HoursOffered((Tuner("Ada"), Tuner("Bo")), np.array([[4.0], [3.9]]))
    assert {t.person for t in work([performance(1), performance(4)], people=people).tunings} == {0}


def test_where_hours_are_short_it_is_said_and_nobody_is_overbooked():
    done = work([performance(1), performance(4)], people=offered(Tuner("Ada"), hours=2.0))
    assert len(done.tunings) == 1
    assert done.without_hours == ["no hours for the tuning of C-1 before Recital on 4 December 2026"]
    assert done.hours.min() >= 0


def test_a_held_tuning_of_the_week_stands_in_for_the_dated_one():
    done = work([performance(1), performance(8)], held=[(0, 0)])
    assert [t.day for t in done.tunings] == [date(2026, 12, 8)]
    assert done.hours.tolist() == [[10.0, 8.5]]


def test_held_visits_keep_their_hours():
    lines = [line(1), line(2, "regulation", hours=6.0)]
    done = work([performance(1)], lines, offered(Tuner("Ada"), hours=7.0), held=[(1, 0)])
    assert done.tunings == []
    assert done.hours.tolist() == [[7.0, 7.0]]


@pytest.mark.parametrize("title,said", [("", "the performance"), ("Gala", "Gala")])
def test_a_performance_without_a_title_is_still_spoken_of(title, said):
    assert work([performance(1, title=title)]).tunings[0].titles == (said,)
