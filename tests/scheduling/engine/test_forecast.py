from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.engine.forecast import Playing, Record, RoomAir, Stay, build_model
from tests.scheduling.engine.invented import ALWAYS, INTERVALS, SERVICES, TODAY, room, subject, without

NEVER = 10**9


def look(subjects, rooms=None, playing=ALWAYS, today=TODAY, seed=7, **more):
    return build_model(rooms or [room()], subjects, playing, today, **more).outlooks(seed)


def one(made, *rooms, **more):
    return look([made], list(rooms) or None, **more)[0]


def due(outlook, share="p50"):
    day = getattr(outlook, share)
    return NEVER if day is None else day - TODAY


# both routes, and services to come


def test_a_service_done_today_is_a_last_service():
    model = build_model([room()], [subject(service) for service in SERVICES], ALWAYS, TODAY)
    days = TODAY + np.arange(0, 180, 7)
    since, after = model.out_probability(np.array([TODAY, TODAY + 70]), days)
    # a settling share of 0.001 is left out of the services to come: of 22 cents that is 0.02, 1 % of a limit
    np.testing.assert_allclose(after[:, 0], since, atol=2e-3)
    assert np.all(after[:, 1, days < TODAY + 70] == 0)
    assert np.isfinite(after).all()


def test_no_chance_passes_one_though_the_shares_of_time_constants_are_rounded():
    """The season's costs refuse more than 1, be it by a rounding: so they once refused a whole plan."""
    rng = np.random.default_rng(3)
    far = [
        subject(instrument=f"G-{n}", records=tuple(records_of(rng)) + (Record(TODAY - 1, None, 60.0),))
        for n in range(40)
    ]
    model = build_model([room()], far, ALWAYS, TODAY)
    days = TODAY + np.arange(30)
    since, after = model.out_probability(days[:2], days)
    assert since.max() > 1.0 - 1e-12
    assert since.max() <= 1.0
    assert after.max() <= 1.0


def records_of(rng):
    """Tunings every 60 days that found something."""
    return [Record(TODAY - ago, float(rng.normal(0, 4)), 0.0) for ago in range(660, 0, -60)]


def test_in_air_that_never_changes_a_service_to_come_is_worth_what_one_today_is():
    model = build_model([room(low=0.45, high=0.45, weather=0.0)], [subject("voicing")], ALWAYS, TODAY)
    days = TODAY + np.arange(0, 200, 10)
    since, after = model.out_probability(np.array([TODAY + 30]), days)
    np.testing.assert_allclose(after[0, 0, 3:], since[0, :-3], atol=1e-9)


def test_the_weekly_table_is_what_out_probability_says():
    model = build_model([room()], [subject(service, served=30) for service in SERVICES], ALWAYS, TODAY)
    outlooks = model.outlooks(seed=1)
    since, _ = model.out_probability(np.array([TODAY]), outlooks[0].days)
    for outlook, expected in zip(outlooks, since, strict=True):
        np.testing.assert_allclose(outlook.p_out, expected, atol=1e-12)


def test_days_are_the_mondays_within_the_horizon():
    outlook = one(subject(), horizon_days=60)
    assert np.all(outlook.days % 7 == 1)  # ordinal 1, the first of January of the year 1, was a Monday
    assert TODAY <= outlook.days[0] < TODAY + 7
    assert outlook.days[-1] > TODAY + 60 - 7
    assert outlook.p90 is None or outlook.p90 <= TODAY + 60


# sense


def test_bigger_humidity_swings_bring_earlier_dates():
    swings = [(0.02, 0.01), (0.10, 0.03), (0.20, 0.05)]
    dates = [due(one(subject(), room(low=0.43 - s, high=0.43 + s, weather=w))) for s, w in swings]
    assert dates == sorted(dates, reverse=True)
    assert dates[0] > dates[2] + 30


@pytest.mark.parametrize("service", ["tuning", "bedding", "regulation"])
def test_a_new_instrument_is_due_before_a_settled_one(service):
    new, old = (one(subject(service, age_years=age), horizon_days=730) for age in (0.1, 15.0))
    assert due(new) < due(old)


@settings(deadline=None, max_examples=15)
@given(st.sampled_from(SERVICES), st.floats(0.2, 2.0), st.integers(0, 200))
def test_doubling_the_tolerance_never_brings_a_date_nearer(service, factor, served):
    made = subject(service, served=served)
    narrow = one(replace(made, tolerance=made.tolerance * factor))
    wide = one(replace(made, tolerance=made.tolerance * factor * 2))
    for share in ("p10", "p50", "p90"):
        assert due(wide, share) >= due(narrow, share)
    assert np.all(wide.p_out <= narrow.p_out + 1e-12)


def test_constant_air_gives_no_seasonal_drift():
    steady = room(low=0.45, high=0.45, weather=0.0, days=2000)
    outlook = one(subject(age_years=30.0, hours_per_week=0.0), steady)
    season = next((d.share for d in outlook.drivers if d.name == "season"), 0.0)
    assert (
        np.abs(outlook.mean).max() < 0.3
    )  # what is left of the prior season after five and a half steady years
    assert season < 0.05


def test_a_room_growing_damper_sharpens_the_pitch_and_a_drying_one_flattens_it():
    spring = one(subject(records=(Record(TODAY - 270, None, None),)), room(), today=TODAY - 200)
    assert one(subject()).mean[8] < -1
    assert spring.mean[8] > 1


def test_a_gap_in_the_readings_widens_the_band():
    made = subject(served=40)
    whole, holed = one(made, room()), one(made, without(room(), TODAY - 25, TODAY))
    holed_season = one(made, without(room(), TODAY - 500, TODAY - 60))
    assert np.all(holed.sd >= whole.sd * 0.98)  # the two also differ in what was learned of the weather
    assert holed.sd[0] > 1.1 * whole.sd[0]
    assert holed_season.sd[20] > whole.sd[20]


def test_a_borrowed_sensor_and_then_none_at_all_widen_the_band():
    made = subject(served=40)
    own, borrowed = one(made, room()), one(made, room(borrowed_from="the next room"))
    none = one(made, RoomAir("room", "hall", np.array([], int), np.array([]), np.array([])))
    assert own.sd[12] < borrowed.sd[12] < none.sd[12]
    assert any("the next room" in driver.words for driver in borrowed.drivers)
    assert any("supposed" in driver.words for driver in none.drivers)


def test_a_fitted_humidity_control_takes_most_of_the_season_away():
    free, held = one(subject()), one(subject(humidity_control=True))
    assert np.abs(held.mean).max() < 0.5 * np.abs(free.mean).max()
    assert due(held) > due(free)


def test_moving_every_day_by_whole_years_of_the_calendar_changes_nothing():
    """Four hundred years are a whole number of weeks and of cycles: only the names of the days differ."""
    cycle = 146_097
    made, air = subject(served=40), room()
    later = replace(
        made,
        built_day=made.built_day + cycle,
        in_service_day=made.in_service_day + cycle,
        stays=(Stay(made.stays[0].from_day + cycle, "room"),),
        records=(Record(TODAY - 40 + cycle, None, None),),
    )
    here, there = one(made, air), one(later, replace(air, days=air.days + cycle), today=TODAY + cycle)
    np.testing.assert_allclose(here.p_out, there.p_out, atol=1e-9)
    assert here.p50 + cycle == there.p50


def test_a_moved_instrument_felt_the_room_it_stood_in():
    dry, damp = room("dry", low=0.30, high=0.30, weather=0.0), room("damp", low=0.60, high=0.60, weather=0.0)
    moved = subject(served=30, stays=(Stay(TODAY - 900, "damp"), Stay(TODAY - 28, "dry")))
    stayed = subject(served=30, stays=(Stay(TODAY - 900, "dry"),))
    outlooks = look([moved, stayed], [dry, damp])
    assert outlooks[0].mean[0] < -5 < outlooks[1].mean[0]


def test_an_empty_practice_room_wears_nothing():
    days = np.arange(TODAY, TODAY + 200)
    vacation = Playing(days, np.zeros(len(days)))
    busy, idle = one(subject("voicing")), one(subject("voicing"), playing=vacation)
    assert np.abs(idle.mean[:25] - idle.mean[0]).max() < 1e-6 + 0.02
    assert due(idle) > due(busy) + 150


def test_a_value_left_out_of_tolerance_is_out_today():
    outlook = one(subject(records=(Record(TODAY, 6.0, 6.0),)))
    assert outlook.out_now > 0.95
    assert due(outlook, "p50") == 0


def test_a_bedding_since_the_regulation_shifts_the_dip_by_the_lever():
    made = subject("regulation", served=60)
    bedded = replace(made, related={"bedding": (Record(TODAY - 10, 0.10, 0.0),)})
    # half of 0.10 mm, times (220 + 110) / 110
    assert one(bedded).mean[0] - one(made).mean[0] == pytest.approx(0.15, abs=1e-9)
    assert one(bedded).sd[0] > one(made).sd[0]


def test_an_instrument_never_serviced_starts_a_usual_interval_ago_with_a_wide_guess():
    never, served = one(subject(records=())), one(subject(served=75))
    assert never.last_service is None
    assert never.sd[0] > served.sd[0]
    assert any("supposed a usual interval ago" in driver.words for driver in never.drivers)


def test_a_service_never_recorded_lies_before_the_records_of_the_others():
    tunings = {"tuning": (Record(TODAY - 1200, None, None), Record(TODAY - 50, None, None))}
    silent = one(subject("regulation", records=()))
    watched = one(subject("regulation", records=(), related=tunings))
    assert watched.mean[0] > silent.mean[0]
    assert watched.out_now > silent.out_now


@pytest.mark.parametrize("service", SERVICES)
def test_an_unserved_settled_instrument_leaves_after_about_the_trades_interval(service):
    """Default intervals of a teaching studio, common practice; a factor of three either way."""
    dates = [
        due(
            one(
                subject(service, records=(Record(TODAY - back, None, None),)),
                today=TODAY - back,
                horizon_days=1500,
            )
        )
        + back
        for back in (0, 91, 182, 273)
    ]
    assert INTERVALS[service] / 3 < np.median(dates) < INTERVALS[service] * 3


def test_an_unknown_service_and_an_added_instrument_kind_are_forecast():
    odd = subject("oiling", instrument_kind="toy piano", behaves_like="celesta", interval_days=100.0)
    assert 40 < due(one(odd)) < 250


# reasons


@pytest.mark.parametrize("service", SERVICES)
def test_the_shares_of_the_drivers_add_to_one(service):
    for made in (subject(service), subject(service, age_years=0.3), subject(service, records=())):
        drivers = one(made).drivers
        assert sum(driver.share for driver in drivers) == pytest.approx(1.0)
        assert all(driver.share >= 0 and driver.words.endswith(".") for driver in drivers)
        assert {driver.name for driver in drivers} <= {
            "season", "weather", "settling", "use", "age", "unknown"
        }  # fmt: skip


# the run


def test_a_forecast_does_not_depend_on_what_else_is_forecast():
    alone = one(subject())
    crowd = look([subject("voicing"), subject(instrument="G-2", served=9), subject()])
    assert (crowd[2].p10, crowd[2].p50, crowd[2].p90) == (alone.p10, alone.p50, alone.p90)
    # the grid of days begins with the oldest service, so the wood's start differs; forgotten within two years
    np.testing.assert_allclose(crowd[2].p_out, alone.p_out, atol=1e-5)


def test_outlooks_come_in_the_order_of_the_subjects_and_tell_how_far_they_are():
    made = [subject(service, instrument=str(i)) for i, service in enumerate(SERVICES * 2)]
    told = []
    model = build_model([room()], made, ALWAYS, TODAY)
    outlooks = model.outlooks(1, progress=lambda done, total: told.append((done, total)))
    assert [(o.instrument, o.service) for o in outlooks] == [(s.instrument, s.service) for s in made]
    assert told[-1] == (8, 8)
    assert model.subjects == tuple(made)


def test_readings_after_today_are_not_looked_at():
    air = room()
    peeking = room(until=TODAY + 100, days=830, seed=0)
    known = peeking.days <= TODAY
    honest = replace(peeking, days=peeking.days[known], temp_c=peeking.temp_c[known], rh=peeking.rh[known])
    np.testing.assert_array_equal(one(subject(), peeking).p_out, one(subject(), honest).p_out)
    assert len(air.days) == 730


def test_no_instruments_give_no_outlooks():
    model = build_model([room()], [], ALWAYS, TODAY)
    assert model.outlooks(1) == []
    assert [p.shape for p in model.out_probability(np.array([TODAY]), np.array([TODAY]))] == [
        (0, 1),
        (0, 1, 1),
    ]


@pytest.mark.parametrize(
    ("made", "message"),
    [
        (subject(tolerance=0.0), r"G-1 \(tuning\): tolerance 0"),
        (subject(interval_days=float("nan")), "interval_days nan"),
        (subject(hours_per_week=400.0), "hours a year"),
        (subject(served=-1), "planned, not done"),
        (subject(records=(Record(TODAY, None, None), Record(TODAY - 1, None, None))), "not sorted"),
        (subject(records=(Record(TODAY, float("nan"), None),)), "not a number"),
        (subject(stays=(Stay(5, "room"), Stay(5, "other"))), "overlap"),
        (subject(lever_front_mm=220.0), "G-1: key lengths"),
    ],
)
def test_impossible_facts_are_refused_by_name(made, message):
    with pytest.raises(ValueError, match=message):
        build_model([room()], [made], ALWAYS, TODAY)


def test_impossible_rooms_and_days_are_refused():
    air = room()
    with pytest.raises(ValueError, match="room 'room': rh 45.* percentage"):
        build_model([replace(air, rh=air.rh * 0 + 45.0)], [subject()], ALWAYS, TODAY)
    with pytest.raises(ValueError, match="given twice"):
        build_model([air, air], [subject()], ALWAYS, TODAY)
    with pytest.raises(ValueError, match="days must rise"):
        build_model([replace(air, days=air.days[::-1])], [subject()], ALWAYS, TODAY)
    with pytest.raises(ValueError, match="one day ahead"):
        build_model([air], [subject()], ALWAYS, TODAY, horizon_days=0)
    model = build_model([air], [subject()], ALWAYS, TODAY)
    with pytest.raises(ValueError, match="beyond the horizon"):
        model.out_probability(np.array([TODAY]), np.array([TODAY + 400]))


def test_an_instrument_that_came_new_and_was_never_serviced_starts_as_its_maker_set_it_up():
    came = TODAY - 60
    new = one(subject("regulation", built_day=came - 30, in_service_day=came, records=()))
    old = one(subject("regulation", built_day=came - 4000, in_service_day=came, records=()))
    assert new.sd[0] < old.sd[0]
    assert new.out_now < old.out_now
    assert any("came new" in driver.words for driver in new.drivers)
    assert any("supposed a usual interval ago" in driver.words for driver in old.drivers)
