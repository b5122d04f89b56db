"""Each rule of a week by hand: what it keeps out, and the words that say so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduling.engine.week import Closed, Span, Visit, WeekProblem, Worker, check_problem, lay_out, parts
from scheduling.engine.week.free import without
from tests.week_checker import broken

DAYS = tuple(range(0, 8 * 96, 96))
WEEK = tuple(Span(day * 96 + 32, day * 96 + 68) for day in range(5))  # 8:00 to 17:00
LUNCH = tuple(Span(day * 96 + 48, day * 96 + 52) for day in range(5))
ADA = Worker("Ada", WEEK, LUNCH, minutes=40 * 60)


def visit(label: str = "tuning of G-1", slots: int = 6, **fields) -> Visit:
    values = {"instrument": 0, "room": 0, "sittings": (slots,), "minutes": 15 * slots, "worth": 5.0}
    return Visit(label, **{**values, "people": (0,), "planned": 0, **fields})


def week(*visits: Visit, workers: tuple[Worker, ...] = (ADA,), **fields) -> WeekProblem:
    return WeekProblem(visits, workers, DAYS, **{"buildings": (0, 0, 1), **fields})


def only_left_out(problem: WeekProblem):
    layout = lay_out(problem)
    assert broken(problem, layout.sittings) == []
    assert len(layout.left_out) == 1
    return layout.left_out[0]


def times(problem: WeekProblem) -> list[tuple[int, int]]:
    layout = lay_out(problem)
    assert broken(problem, layout.sittings) == []
    assert layout.left_out == ()
    return [(one.first, one.last) for one in layout.sittings]


def test_no_visits_make_an_empty_week_proven_at_once():
    layout = lay_out(week())
    assert (layout.outcome, layout.cost, layout.bound, layout.sittings, layout.left_out) == (
        "optimal", 0, 0, (), ())  # fmt: skip


def test_zero_hours_leave_everything_out_and_say_so():
    one = only_left_out(week(visit(), workers=(replace(ADA, minutes=0),)))
    assert one.rules == ("hours offered",)
    assert one.words == "it takes 1.5 h, and Ada has 0 of 0 h left"


def test_somebody_away_all_week_leaves_the_work_to_whoever_can_do_it():
    bo = replace(ADA, name="Bo")
    away = replace(ADA, away=(Span(0, 7 * 96),))
    assert len(times(week(visit(people=(0, 1)), workers=(away, bo)))) == 1
    one = only_left_out(week(visit(), workers=(away, bo)))
    assert one.rules == ("absence",)
    assert one.words.startswith("Ada has no stretch that is long enough: nobody works on a day away")


def test_a_room_booked_solid_is_named_with_its_bookings():
    booked = (Closed(Span(0, 7 * 96), "room booked", "Auditions, Mon 23 Nov 08:00 to 18:00"),)
    one = only_left_out(week(visit(closed=booked)))
    assert one.rules == ("room booked",)
    assert "Auditions, Mon 23 Nov 08:00 to 18:00" in one.words


def test_nobody_who_has_learnt_it():
    assert only_left_out(week(visit(people=(), planned=None))).rules == ("skills",)
    assert only_left_out(week(visit(people=(), planned=None), workers=())).rules == ("skills",)


def test_a_week_that_has_begun_has_only_its_rest():
    assert times(week(visit(), begins=2 * 96 + 64)) == [(3 * 96 + 32, 3 * 96 + 38)]
    assert only_left_out(week(visit(), begins=5 * 96)).rules[0] == "time passed"


def test_two_rules_that_close_the_week_each_by_itself_are_both_named():
    concert = Span(5 * 96 + 76, 7 * 96)
    one = only_left_out(week(visit(concert=concert, occasion="Gala on Sun 29 Nov")))
    assert one.rules == ("tuning before a performance", "working hours")
    assert "Gala on Sun 29 Nov" in one.words


def test_a_tuning_lies_within_48_hours_of_the_performance_and_on_its_day_if_it_can():
    friday_evening = 4 * 96 + 78
    concert = Span(friday_evening - 192, friday_evening)
    assert times(week(visit(concert=concert))) == [(4 * 96 + 32, 4 * 96 + 38)]


def test_the_earlier_performance_is_kept_where_hours_are_short():
    short = replace(ADA, minutes=90)
    later = visit("later", instrument=1, room=1, worth=400.0, concert=Span(3 * 96, 4 * 96 + 70))
    sooner = visit("sooner", worth=0.5, concert=Span(0, 96 + 70))
    problem = week(later, sooner, workers=(short,))
    assert problem.visits[only_left_out(problem).visit].label == "later"


def test_a_held_visit_is_kept_before_all_and_by_its_own_person():
    short = replace(ADA, minutes=90)
    bo = replace(ADA, name="Bo", minutes=0)
    held = visit("held", worth=0.0, held=True)
    problem = week(held, visit("dear", instrument=1, worth=300.0), workers=(short, bo))
    assert problem.visits[only_left_out(problem).visit].label == "dear"


def test_bed_regulate_tune_voice():
    bedding = visit("bedding", 3)
    regulation = visit("regulation", sittings=parts(24), minutes=360, after=(0,), needs=(0,))
    tuning = visit("tuning", listens=True, after=(0, 1))
    voicing = visit(
        "voicing", sittings=parts(12), minutes=180, tires=True, wait=48, after=(0, 1, 2), needs=(2,)
    )
    problem = week(voicing, tuning, regulation, bedding)
    turned = tuple(
        replace(one, after=tuple(3 - n for n in one.after), needs=tuple(3 - n for n in one.needs))
        for one in problem.visits
    )
    problem = replace(problem, visits=turned)
    layout = lay_out(problem)
    assert broken(problem, layout.sittings) == []
    first = {problem.visits[one.visit].label: one.first for one in reversed(layout.sittings)}
    assert sorted(first, key=first.get) == ["bedding", "regulation", "tuning", "voicing"]


def test_work_that_rests_on_other_work_goes_with_it():
    tuning = visit(people=(), planned=None)
    voicing = visit("voicing of G-1", 8, tires=True, needs=(0,), after=(0,))
    layout = lay_out(week(tuning, voicing))
    assert [one.rules for one in layout.left_out] == [("skills",), ("work it rests on",)]
    assert layout.left_out[1].words == "it rests on the tuning of G-1, which found no place"


def test_what_is_short_because_the_action_is_out_is_done_by_the_same_person_on_the_same_day():
    bo = replace(ADA, name="Bo", shifts=WEEK[1:2])
    bedding = visit("bedding", 3, people=(0, 1), beside=1)
    regulation = visit("regulation", 6, people=(1,), planned=1, after=(0,))
    assert times(week(bedding, regulation, workers=(ADA, bo))) == [(128, 131), (131, 137)]
    alone = replace(bedding, beside=None)
    assert times(week(alone, regulation, workers=(ADA, bo)))[0] == (32, 35)


def test_what_cannot_be_done_while_the_action_is_out_says_so():
    bedding = visit("bedding", 3, beside=1, worth=1.0)
    bo = replace(ADA, name="Bo")
    one = only_left_out(week(bedding, visit("regulation", 6, people=(1,), planned=1), workers=(ADA, bo)))
    assert (one.visit, one.rules) == (0, ("action out",))


def test_a_hardener_dries_before_the_next_sitting():
    one_day = replace(ADA, shifts=WEEK[:1])
    voicing = visit("voicing", sittings=(6, 6), minutes=180, tires=True, wait=48)
    assert only_left_out(week(voicing, workers=(one_day,))).rules == ("drying", "working hours")
    first, second = times(week(voicing))
    assert second[0] - first[1] >= 48


def test_the_ear_rests_after_two_hours_and_stops_after_four():
    one_day = replace(ADA, shifts=WEEK[:1], lunches=())
    some = [visit(f"voicing {n}", 8, instrument=n, tires=True) for n in range(3)]
    problem = week(*some, workers=(one_day,))
    left = only_left_out(problem)
    assert left.rules == ("ear of the day",)
    begun = sorted(one.first for one in lay_out(problem).sittings)
    assert begun[1] - begun[0] >= 10


def test_whoever_listens_has_the_room_to_themselves():
    bo = replace(ADA, name="Bo")
    morning = tuple(replace(one, shifts=(Span(32, 38),)) for one in (ADA, bo))
    listening = visit(listens=True)
    other = visit("regulation of U-2", instrument=1, people=(1,), planned=1)
    left = only_left_out(week(listening, other, workers=morning))
    assert left.rules == ("quiet room",)
    apart = replace(other, room=1)
    assert len(times(week(listening, apart, workers=morning))) == 2


def test_the_way_to_another_building_takes_its_time():
    morning = replace(ADA, shifts=(Span(32, 44),), lunches=())
    far = visit("far", instrument=1, room=2)
    assert only_left_out(week(visit(), far, workers=(morning,))).rules == ("way between buildings",)
    near = replace(far, room=1)
    assert len(times(week(visit(), near, workers=(morning,)))) == 2


def test_lunch_stays_free():
    left = only_left_out(week(visit(slots=6), workers=(replace(ADA, shifts=(Span(44, 54),)),)))
    assert left.rules == ("lunch", "working hours")


def test_a_long_regulation_is_divided_and_a_tuning_is_not():
    assert parts(24) == (8, 8, 8)
    assert parts(12) == (6, 6)
    assert parts(9) == (5, 4)
    mornings = replace(ADA, shifts=tuple(Span(day * 96 + 32, day * 96 + 44) for day in range(5)), lunches=())
    spans = times(week(visit(sittings=parts(24), minutes=360), workers=(mornings,)))
    assert [first // 96 for first, _ in spans] == [0, 1, 2]
    assert only_left_out(week(visit(slots=14), workers=(mornings,))).rules == ("working hours",)


def test_rooms_are_changed_as_seldom_as_can_be():
    some = [visit(f"v{n}", 4, instrument=n, room=n % 2) for n in range(4)]
    layout = lay_out(week(*some))
    rooms = [some[one.visit].room for one in sorted(layout.sittings, key=lambda one: one.first)]
    assert rooms in ([0, 0, 1, 1], [1, 1, 0, 0])
    assert layout.outcome == "optimal"


def test_the_same_week_is_laid_out_the_same_way_twice():
    some = [visit(f"v{n}", 4, instrument=n, room=n % 3, worth=float(n)) for n in range(6)]
    problem = week(*some, workers=(ADA, replace(ADA, name="Bo")))
    assert lay_out(problem).sittings == lay_out(problem).sittings


def test_stopped_at_once_it_still_keeps_the_rules_and_says_why():
    some = [visit(f"v{n}", 6, instrument=n) for n in range(3)]
    problem = week(*some, workers=(replace(ADA, minutes=200),))
    for limit in (0.0, 1e-6):
        layout = lay_out(problem, limit)
        assert layout.outcome == "stopped"
        assert broken(problem, layout.sittings) == []
        assert len(layout.left_out) + len({one.visit for one in layout.sittings}) == 3
        assert all(one.rules and one.words for one in layout.left_out)


@pytest.mark.parametrize(
    "changed,said",
    [
        ({"sittings": ()}, "sittings"),
        ({"worth": -1.0}, "worth"),
        ({"worth": float("nan")}, "worth"),
        ({"room": 7}, "room 7"),
        ({"people": (3,)}, "people"),
        ({"after": (0,)}, "waits for"),
        ({"tires": True, "sittings": (12,)}, "the ear bears 8"),
        ({"closed": (Closed(Span(0, 1), "a whim", ""),)}, "unknown rule"),
    ],
)
def test_a_week_that_cannot_be_meant_is_refused(changed, said):
    with pytest.raises(ValueError, match=said):
        check_problem(week(visit(**changed)))


def test_days_and_shifts_that_cannot_be_meant_are_refused():
    with pytest.raises(ValueError, match="eight slots"):
        check_problem(replace(week(visit()), days=(0, 96)))
    with pytest.raises(ValueError, match="midnight"):
        check_problem(week(visit(), workers=(replace(ADA, shifts=(Span(90, 100),)),)))
    with pytest.raises(ValueError, match="at least 1"):
        parts(0)


def test_what_is_closed_is_cut_out():
    assert without([Span(0, 10)], [Span(2, 4), Span(8, 20)]) == [Span(0, 2), Span(4, 8)]
    assert without([Span(0, 10)], [Span(20, 30)]) == [Span(0, 10)]
