"""The hidden truth: what it must do whatever its numbers are."""

import ast
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import spearmanr

import fleet.demo
from fleet.demo.fleet import invent
from fleet.demo.habits import MEASURING_ERROR, WRITTEN_STEP
from fleet.demo.truth import Anchor, Visit
from tests.fleet.demo.fleets import SMALL, TODAY


def tunings(demo, kinds=("grand", "upright")):
    """Days between, change of the room's humidity (twelve days before each), and found value of tunings."""
    daily = demo.air.rh.reshape(len(demo.rooms), -1, 24).mean(axis=2)
    rows = []
    for one in demo.instruments:
        if one.kind not in kinds or one.humidity_control or len(one.stays) > 1:
            continue
        days = [
            (demo.line.index(r.day), r.found) for r in demo.records if (r.tag, r.kind) == (one.tag, "tuning")
        ]
        for (before, _), (after, found) in zip(days, days[1:], strict=False):
            if found is not None and after > before:
                air = [daily[one.room, day - 12 : day].mean() for day in (before, after)]
                rows.append((after - before, air[1] - air[0], found))
    return np.array(rows).T


def test_found_offsets_grow_with_the_time_since_the_last_tuning(demo):
    elapsed, _, found = tunings(demo)
    rank = spearmanr(elapsed, np.abs(found))
    assert rank.statistic > 0.2
    assert rank.pvalue < 1e-6


def test_found_offsets_follow_the_humidity_in_size_and_sign(demo):
    _, change, found = tunings(demo)
    assert spearmanr(change, found).statistic > 0.6  # damper air, sharper
    assert spearmanr(np.abs(change), np.abs(found)).statistic > 0.4


def test_found_unevenness_grows_with_the_time_since_the_last_voicing(demo):
    pairs = []
    for one in demo.instruments:
        days = [(r.day, r.found) for r in demo.records if (r.tag, r.kind) == (one.tag, "voicing")]
        pairs += [((b - a).days, found) for (a, _), (b, found) in zip(days, days[1:], strict=False) if found]
    elapsed, found = np.array(pairs, float).T
    assert spearmanr(elapsed, found).pvalue < 1e-4


def test_a_harder_climate_swings_every_soundboard_further():
    mild, hard = (invent(replace(SMALL, climate_swing=swing), TODAY) for swing in (0.3, 1.4))
    swings = [each.truth.board_moisture.std(axis=1) for each in (mild, hard)]
    assert (swings[0] < swings[1]).all()


def test_asking_for_a_future_changes_nothing_that_was():
    plain, longer = invent(SMALL, TODAY), invent(replace(SMALL, days_after=200), TODAY)
    days = plain.line.n_days
    assert longer.line.n_days == days + 200
    assert longer.records == plain.records
    assert longer.concerts == plain.concerts
    assert np.array_equal(longer.truth.pitch[..., :days], plain.truth.pitch)
    assert np.array_equal(longer.truth.touch[..., :days], plain.truth.touch)
    assert np.array_equal(longer.air.rh[:, : 24 * days], plain.air.rh)


def test_another_seed_is_another_fleet():
    one, other = invent(SMALL, TODAY), invent(replace(SMALL, seed=4), TODAY)
    assert not np.array_equal(one.truth.pitch, other.truth.pitch)
    assert [r.found for r in one.records] != [r.found for r in other.records]


def test_every_record_says_what_was_true_give_or_take_measurement(demo):
    checked = 0
    for number, tag in enumerate(demo.truth.tags):
        gap = demo.truth.paths(tag).get("bedding", np.zeros(demo.line.n_days))
        for kind in demo.instruments[number].kinds_of_service:
            visits = demo.truth.visits.get((tag, kind), [])
            found = {r.day: r.found for r in demo.records if (r.tag, r.kind) == (tag, kind)}
            begun = demo.truth.beginnings[tag, kind].number
            for count, (before, visit) in enumerate(zip(visits, visits[1:], strict=False), start=1):
                if found.get(visit.day) is None or before.day == visit.day:
                    continue
                start, index = demo.line.index(before.day), demo.line.index(visit.day)
                anchor = Anchor(start, before.left, begun + count, gap[start])
                true = demo.truth.deviation(number, kind, index, anchor, gap[index])
                # Five standard deviations of measurement, and a step of rounding.
                limit = 5 * MEASURING_ERROR[kind] + WRITTEN_STEP[kind]
                assert abs(found[visit.day] - true) < limit, (tag, kind, visit)
                checked += 1
    assert checked > 500


def test_on_the_day_of_a_service_the_truth_is_what_it_left(demo):
    for (tag, kind), visits in demo.truth.visits.items():
        path = demo.truth.paths(tag)[kind]
        left = {visit.day: visit.left for visit in visits}  # the last of a day counts
        for day, value in left.items():
            assert path[demo.line.index(day)] == pytest.approx(value, abs=1e-9)


def test_a_visit_resets_its_own_deviation_and_a_bedding_lifts_the_dip(demo):
    tag = "G-001"
    day = TODAY - timedelta(days=10)
    index = demo.line.index(day)
    before = demo.truth.paths(tag)
    after = demo.truth.paths(tag, {"bedding": [Visit(day, 0.0)]})
    assert after["bedding"][index] == pytest.approx(0.0, abs=1e-12)
    number = demo.truth.tags.index(tag)
    moved = before["bedding"][index] * demo.truth.natures.dip_per_gap[number]
    assert before["regulation"][index] - after["regulation"][index] == pytest.approx(moved, abs=1e-9)
    assert np.array_equal(before["tuning"], after["tuning"], equal_nan=True)


def test_a_frame_settles_less_after_every_bedding(demo):
    number = demo.truth.tags.index("G-001")
    days = np.arange(400, 700)
    settled = [
        demo.truth.deviation(number, "bedding", days, Anchor(400, 0.0, times))[-1] for times in range(4)
    ]
    steps = -np.diff(settled)
    assert (steps > 0).all()
    assert (np.diff(steps) < 0).all()


def test_a_new_instrument_sinks_faster_than_an_old_one(demo):
    fresh = max(range(len(demo.instruments)), key=lambda n: demo.instruments[n].in_service)
    ages = demo.truth.age[fresh]
    came = demo.line.index(demo.instruments[fresh].in_service)
    assert np.diff(ages[came : came + 60]).min() > np.diff(demo.truth.age[3, came : came + 60]).max()


def test_nothing_is_known_of_an_instrument_before_it_came(demo):
    fresh = max(demo.instruments, key=lambda one: one.in_service)
    came = demo.line.index(fresh.in_service)
    for values in demo.truth.paths(fresh.tag).values():
        assert np.isnan(values[:came]).all()
        assert np.isfinite(values[came:]).all()


def test_humidity_control_shields_the_board(demo):
    spread = {True: [], False: []}
    for number, one in enumerate(demo.instruments):
        if demo.rooms[one.room].building == "Old House" and one.kind in ("grand", "upright"):
            spread[one.humidity_control].append(np.ptp(demo.truth.board_moisture[number]))
    assert spread[True]
    assert max(spread[True]) < min(spread[False])


def test_a_moved_instrument_feels_the_room_it_stands_in(demo):
    moved = [number for number, one in enumerate(demo.instruments) if len(one.stays) > 1]
    assert moved
    for number in moved:
        one = demo.instruments[number]
        assert one.stays[0][1] != one.stays[1][1]
        assert demo.line.recorded < one.stays[1][0] < TODAY


def test_the_generator_never_reads_the_forecast():
    folder = Path(fleet.demo.__file__).parent
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            else:
                continue
            assert not any(name.split(".")[0] == "scheduling" for name in names), path.name
