from datetime import date

import numpy as np
import pytest

from scheduling import reasons
from scheduling.dated_work import DatedTuning
from scheduling.engine.season import Job, PutOff, SeasonProblem, recent_visit
from scheduling.inputs import HoursOffered
from scheduling.models import Forecast
from scheduling.season_problem import Season, SeasonSetup, Wishes
from tests.factories import MONDAY, TODAY

WEEKS = 3
# cost between nodes 0 (before), 1..3 (weeks), 4 (end), by hand
COST = np.array(
    [
        [0, 2, 6, 12, 20],
        [0, 0, 1, 3, 6],
        [0, 0, 0, 1, 3],
        [0, 0, 0, 0, 1],
        [0, 0, 0, 0, 0.0],
    ]
)


def setup(held=(), rules=(), after=0.2, people=None):
    cost = COST.copy()
    jobs = tuple(
        Job("G-1", service, 2.0, cost, cost, held=held, people=people)
        for service in ("regulation", "bedding")
    )
    problem = SeasonProblem(jobs, WEEKS, ("Ada",), np.full((1, WEEKS), 9.0), tuple(rules))
    curve = np.full((2, WEEKS, 7 * WEEKS), after)
    offered = HoursOffered((None,), problem.hours)
    return SeasonSetup(Season(MONDAY, WEEKS, TODAY), problem, (), offered, curve, Wishes())


def forecast(**fields):
    drivers = [
        {"name": "unknown", "share": 0.6, "words": "Nobody knows."},
        {"name": "season", "share": 0.3, "words": "The hall goes from 50 % humidity to 28 %."},
        {"name": "use", "share": 0.1, "words": "Playing."},
    ]
    return Forecast(**{"out_now": 0.2, "drivers": drivers, **fields})


def test_the_first_visit_says_when_the_instrument_is_predicted_out_what_it_saves_and_why():
    row = forecast(due_middle=date(2026, 12, 12))
    assert reasons.visit_reasons(setup(), {0: [2]}, 0, row)[2] == (
        "Predicted out by 12 December 2026 (middle estimate). Saves 11.0 weighted days out of tolerance. "
        "The hall goes from 50 % humidity to 28 %."
    )


@pytest.mark.parametrize(
    "fields,said",
    [
        ({"out_now": 0.83}, "Probably out of tolerance already (83 %)."),
        ({"out_now": 0.49, "due_middle": TODAY}, "May be out of tolerance already (49 %)."),
        ({"due_early": date(2027, 1, 2)}, "May be out by 2 January 2027 (early estimate)."),
        ({}, "Likely to stay in tolerance; there are hours for it."),
    ],
)
def test_the_first_visit_says_how_sure_it_is(fields, said):
    assert reasons.visit_reasons(setup(), {0: [1]}, 0, forecast(**fields))[1].startswith(said)


def test_a_repeated_visit_says_when_the_one_before_has_worn_off():
    one = setup(after=0.2)
    one.after[0, 0, 12:] = 0.5
    words = reasons.visit_reasons(one, {0: [1, 3]}, 0, forecast(due_middle=TODAY))
    assert words[3] == (
        "After the visit in the week of 30 November 2026 more likely out than in from 12 December 2026. "
        "Saves 2.0 weighted days out of tolerance."
    )


def test_a_repeated_visit_that_comes_early_says_how_the_chance_would_grow():
    words = reasons.visit_reasons(setup(after=0.3), {0: [1, 3]}, 0, None)
    assert "the week of 30 November 2026 the chance of being out would reach 30 %." in words[3]


def test_a_held_visit_says_that_people_fixed_it():
    assert reasons.visit_reasons(setup(held=(2,)), {0: [1, 2]}, 0, None)[2].startswith(
        "Held in this week by hand."
    )


def test_a_visit_that_waits_for_another_says_for_which():
    rule = recent_visit(
        0, 1, WEEKS, 1, "bedding before regulation", "a frame is bedded before it is regulated"
    )
    words = reasons.visit_reasons(setup(rules=[rule]), {0: [2]}, 0, None)[2]
    assert "In order: a frame is bedded before it is regulated." in words
    assert "In order" not in reasons.visit_reasons(setup(rules=[rule]), {1: [2]}, 1, None)[2]


def test_a_visit_that_another_one_waits_for_says_so():
    rule = recent_visit(
        0, 1, WEEKS, 1, "bedding before regulation", "a frame is bedded before it is regulated"
    )
    one = setup(rules=[rule])
    words = reasons.visit_reasons(one, {0: [2], 1: [1]}, 1, None)[1]
    assert "Needed for the regulation in the week of 7 December 2026." in words
    assert "Needed" not in reasons.visit_reasons(one, {0: [3], 1: [1]}, 1, None)[1]
    either_would_do = reasons.visit_reasons(one, {0: [2], 1: [1, 2]}, 1, None)
    assert ["Needed" in either_would_do[week] for week in (1, 2)] == [False, False]


def test_a_saving_too_small_to_speak_of_is_not_spoken_of():
    one = setup()
    one.problem.jobs[0].cost[0, 4] = 5.02
    assert "Saves" not in reasons.visit_reasons(one, {0: [1]}, 0, None)[1]


def test_what_only_widens_a_forecast_is_no_reason_for_a_visit():
    drivers = [
        {"name": "weather", "share": 0.6, "words": "Weather that nobody can know yet."},
        {"name": "settling", "share": 0.2, "words": "It is still settling."},
    ]
    assert reasons.driver_words(forecast(drivers=drivers)) == "It is still settling."


def test_a_driver_too_weak_to_explain_anything_is_not_spoken_of():
    drivers = [
        {"name": "unknown", "share": 0.95, "words": "Nobody knows."},
        {"name": "use", "share": 0.05, "words": "Playing."},
    ]
    assert reasons.driver_words(forecast(drivers=drivers)) == ""


def put_off(**fields):
    return PutOff(
        **{"job": 0, "days_out": 12.4, "cost": 25.0, "best_week": 2, "saving": 9.0, "worth": 11.0, **fields}
    )


def test_a_service_put_off_says_what_it_costs_and_what_its_hours_are_worth_elsewhere():
    assert reasons.put_off_reason(setup(), put_off()) == (
        "12 days out of tolerance expected; its best visit, in the week of 7 December 2026, would save 9.0 "
        "weighted days, 4.50 an hour. An hour of that week is worth 5.50 elsewhere."
    )


@pytest.mark.parametrize(
    "fields,said",
    [
        ({"days_out": 0.3}, "Not needed: likely in tolerance throughout."),
        ({"best_week": None}, "12 days out of tolerance expected; no visit in these weeks would lower that."),
        ({"saving": 12.0}, "nobody has 2 hours left in one piece, or it waits for another service."),
    ],
)
def test_a_service_put_off_says_which_case_it_is(fields, said):
    assert reasons.put_off_reason(setup(), put_off(**fields)).endswith(said)


def test_a_service_nobody_can_do_says_so():
    assert reasons.put_off_reason(setup(people=()), put_off()) == "Nobody here does regulation."


def test_dated_tunings_name_their_performances():
    tunings = [
        DatedTuning(0, date(2026, 12, 4), 0, ("Gala", "Matinee")),
        DatedTuning(0, date(2026, 12, 6), 0, ("Recital",)),
    ]
    assert reasons.dated_reason(tunings) == (
        "Within 48 hours before Gala and Matinee on 4 December 2026; Recital on 6 December 2026."
    )
