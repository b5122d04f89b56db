"""Forecasts and plans said in plain words."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from django.template import Context, Template
from django.utils import timezone, translation

from reports import words
from reports.templatetags.almanac import number_cells, percent, written
from scheduling.models import Forecast, ForecastState, SeasonPlan
from tests.factories import TODAY

DEC, JAN, MAR = date(2026, 12, 9), date(2027, 1, 4), date(2027, 3, 1)
PLENTY = {"unit": "cents", "tolerance": 4.5, "out_now": 0.04, "state": ForecastState.IN_TOLERANCE}


def forecast(**fields) -> Forecast:
    return Forecast(**{**PLENTY, **fields})


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("fields", "window"),
    [
        ({"due_early": DEC, "due_middle": JAN, "due_late": MAR}, "9 Dec – 1 Mar"),
        ({"due_early": DEC, "due_middle": JAN}, "9 Dec or long after"),
        ({"due_early": DEC, "due_middle": DEC, "due_late": DEC}, "9 Dec"),
        ({}, "not within a year"),
        ({"state": ForecastState.OUT, "due_early": TODAY}, "now"),
    ],
)
def test_a_due_window_in_a_few_words(fields, window):
    assert words.due_window(forecast(**fields), TODAY) == window


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        (
            {"due_early": DEC, "due_middle": JAN, "due_late": MAR},
            "Leaves 4.5 cents about 4 Jan; with 80 % certainty between 9 Dec and 1 Mar.",
        ),
        (
            {"due_early": DEC, "due_middle": JAN},
            "Leaves 4.5 cents about 4 Jan; it may be as early as 9 Dec or more than a year away.",
        ),
        (
            {"due_early": DEC},
            "May leave 4.5 cents from 9 Dec on, but more likely than not stays within it for a year.",
        ),
        ({}, "Stays within 4.5 cents for the year to come, with a probability above 90 %."),
        (
            {"state": ForecastState.OUT, "out_now": 0.83},
            "Further out than 4.5 cents today with a probability of 83 %.",
        ),
    ],
)
def test_a_forecast_in_one_sentence(fields, sentence):
    assert plain(words.due_sentence(forecast(**fields), TODAY)) == sentence


def test_a_day_carries_its_year_only_where_it_could_be_mistaken():
    assert words.short_day(date(2027, 6, 1), TODAY) == "1 Jun"
    assert words.short_day(date(2027, 11, 20), TODAY) == "20 Nov 2027"


@pytest.mark.parametrize(
    ("value", "unit", "written"),
    [(4.5, "cents", "4.5 cents"), (0.05, "mm", "0.05 mm"), (3.0, "mark", "mark 3"), (None, "cents", "")],
)
def test_an_amount_carries_its_unit(value, unit, written):
    assert plain(words.amount(value, unit)) == written


@pytest.mark.parametrize(
    ("outcome", "gap", "said"),
    [
        ("optimal", 0.0, "No plan within these hours does better: that is proven."),
        ("feasible", 0.0036, "at most 0.36 % above the best"),
        ("stopped", 0.021, "ended at its time limit"),
    ],
)
def test_a_plan_says_how_good_it_is_and_how_that_is_known(outcome, gap, said):
    assert said in words.outcome_sentence(SeasonPlan(outcome=outcome, gap=gap))


def test_numbers_are_written_into_cells_with_the_reader_s_point_a_minus_and_a_dash_for_none():
    values = 41.4, None, -3.26
    assert number_cells("011", *values) == "<td>41</td><td>–</td><td>−3.3</td>"
    with translation.override("de"):
        assert number_cells("011", *values) == "<td>41</td><td>–</td><td>−3,3</td>"


def test_a_day_is_written_in_each_language_and_an_instant_on_its_own_wall():
    assert written(MAR, "j M Y") == "1 Mar 2027"
    with translation.override("de"):
        assert written(MAR, "j M Y") == "1. Mär 2027"
    at = datetime(2027, 3, 1, 23, 30, tzinfo=UTC)
    with timezone.override("Europe/Vienna"):
        assert Template("{{ at|written:'j F, H:i' }}").render(Context({"at": at})) == "2 March, 00:30"


def test_a_percentage_below_zero_has_a_minus_sign_and_no_hyphen():
    assert plain(percent(-0.0634, 1)) == "\N{MINUS SIGN}6.3 %"
    assert plain(percent(0.14)) == "14 %"
    assert percent(None) == ""
