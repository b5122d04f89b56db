"""Hundreds of random weeks, read back by a checker that shares no code with the planner."""

import pytest

from scheduling.engine.week import lay_out
from scheduling.engine.week.placing import one_by_one
from scheduling.engine.week.rules import NAMES
from tests.invented_weeks import invented_week, planned_week
from tests.week_checker import broken, points


@pytest.mark.parametrize("hundred", range(2))
def test_random_weeks_break_no_rule_cost_what_the_checker_adds_up_and_explain_what_is_left_out(hundred):
    for seed in range(100 * hundred, 100 * hundred + 100):
        week = invented_week(seed, instruments=2 + hundred, people=2)
        layout = lay_out(week, 2.0)
        assert broken(week, layout.sittings) == [], seed
        assert layout.cost == points(week, layout.sittings), seed
        assert 0 <= layout.bound <= layout.cost, seed
        placed = {one.visit for one in layout.sittings}
        assert {one.visit for one in layout.left_out} == set(range(len(week.visits))) - placed, seed
        for one in layout.left_out:
            assert one.rules, (seed, one)
            assert set(one.rules) <= NAMES, (seed, one)
            assert len(one.words) > 20, (seed, one)


def test_one_visit_after_the_other_breaks_no_rule_either():
    for seed in range(300):
        week = invented_week(seed, instruments=8, people=3)
        assert broken(week, one_by_one(week)) == [], seed


def test_a_week_as_a_season_plan_leaves_it_is_placed_whole_or_nearly():
    week = planned_week(5, people=2, hours=12)
    layout = lay_out(week, 2.0)
    assert broken(week, layout.sittings) == []
    assert layout.cost == points(week, layout.sittings)
    assert layout.cost <= points(week, one_by_one(week))
    assert len(layout.left_out) <= 2
