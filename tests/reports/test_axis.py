"""Due windows on a shared time axis."""

from __future__ import annotations

from datetime import date

import pytest

from reports.axis import DueBar, TimeAxis, due_bar
from scheduling.models import Forecast

AXIS = TimeAxis(date(2026, 11, 1), date(2027, 2, 9))  # a hundred days, so that a day is one percent


def forecast(early=None, middle=None, late=None) -> Forecast:
    return Forecast(due_early=early, due_middle=middle, due_late=late)


@pytest.mark.parametrize(
    ("day", "place"),
    [
        (date(2026, 11, 1), 0),
        (date(2026, 12, 1), 30),
        (date(2027, 2, 9), 100),
        (date(2026, 1, 1), 0),
        (date(2028, 1, 1), 100),
    ],
)
def test_a_day_lies_at_its_share_of_the_axis_and_never_beside_it(day, place):
    assert AXIS.place(day) == place


def test_months_stand_at_their_first_days():
    assert [(mark.at, mark.label) for mark in AXIS.months()] == [
        (0, "Nov"),
        (30, "Dec"),
        (61, "Jan"),
        (92, "Feb"),
    ]


def test_a_window_runs_from_early_to_late_with_the_notch_at_the_middle():
    bar = due_bar(forecast(date(2026, 11, 11), date(2026, 11, 21), date(2026, 12, 11)), AXIS)
    assert bar == DueBar(left=10, width=30, notch=20, open_end=False, out=False)


@pytest.mark.parametrize("late", [None, date(2027, 9, 1)])
def test_a_late_date_beyond_the_axis_leaves_the_end_open(late):
    bar = due_bar(forecast(date(2026, 11, 11), date(2026, 11, 21), late), AXIS)
    assert bar == DueBar(left=10, width=90, notch=20, open_end=True, out=False)


@pytest.mark.parametrize("middle", [None, date(2027, 3, 1)])
def test_a_middle_beyond_the_axis_has_no_notch(middle):
    bar = due_bar(forecast(date(2026, 11, 11), middle, None), AXIS)
    assert bar is not None
    assert bar.notch is None


@pytest.mark.parametrize("early", [None, date(2027, 2, 10)])
def test_an_early_date_beyond_the_axis_has_no_window(early):
    assert due_bar(forecast(early), AXIS) is None


def test_a_middle_that_is_today_is_out_already():
    bar = due_bar(forecast(date(2026, 11, 1), date(2026, 11, 1), date(2026, 11, 30)), AXIS)
    assert bar is not None
    assert bar.out
    assert bar.notch is None
