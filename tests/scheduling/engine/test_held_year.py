"""A year with and without the holding: by hand, by independent simulation, by the closed form, at limits."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.airpath import AirPath, Noise
from scheduling.engine.cases import Beliefs, prepare
from scheduling.engine.fabric import Fabric
from scheduling.engine.forecast import build_model
from scheduling.engine.held_year import COMMON, FREE, HELD, PATHS, Holding, held_years
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.engine.priors import Belief
from scheduling.engine.servicing import ByCalendar, Course, OnceOut, serviced
from scheduling.engine.subjects import Band, Record, Stay
from tests.scheduling.engine import invented
from tests.scheduling.engine.invented import ALWAYS, TODAY

CALENDAR, ONCE_OUT = 0, 1
DAYS = 60


def year(model, band, days=365, weight=None):
    holding = Holding("room", band, days, np.ones(days) if weight is None else weight)
    return list(model.held_years(holding, 3))


def steady_course(per_day, days=40, paths=2):
    each = np.full((days, paths), float(per_day))
    return Course(np.zeros(paths), each, np.zeros_like(each), 1.0, np.zeros_like(each))


def test_two_instruments_lived_by_hand_under_both_rules():
    """By hand: one cent a day, tolerance 3. Out on days 4 to 10, served on 11, out 15 to 21, served on 22...

    By a calendar of 5 days from 5 days ago: served on days 0, 5, .. 30 and out on every fifth, from 4 on.
    One that does not move is never out and is served by the calendar alone.
    """
    ones, window = np.ones(33), (0, 33)
    moving, still = steady_course(1.0), steady_course(0.0)
    found = serviced([moving], 3.0, OnceOut(7), window, ones)
    assert (found.days[0], found.services[0]) == (21, 2)
    found = serviced([moving], 3.0, ByCalendar(5, -5), window, np.where(np.arange(33) < 10, 0.5, 2.0))
    assert (found.days[0], found.services[0], found.weighted[0]) == (6, 7, 2 * 0.5 + 4 * 2.0)
    found = serviced([still], 3.0, OnceOut(7), window, ones)
    assert (found.days[0], found.services[0]) == (0, 0)
    assert serviced([still], 3.0, ByCalendar(5, -5), window, ones).services[0] == 7


def test_a_spread_out_on_its_own_counts_a_day_once_and_one_service_mends_both():
    found = serviced([steady_course(1.0), steady_course(2.0)], 3.0, OnceOut(7), (0, 20), np.ones(20))
    # By hand: the faster is out from day 2 on, served on 9; out again from day 11, served on 18.
    assert (found.days[0], found.services[0]) == (7 + 7, 2)


def test_settling_fades_with_every_service():
    """By hand: settling of 1 a day halves at the service of day 5, so the day's add is 0.5 from day 6 on."""
    course = replace(steady_course(0.0), settles=np.ones((40, 2)), fade=0.5)
    found = serviced([course], 2.2, ByCalendar(5, 0), (0, 10), np.ones(10))
    # days 1..4 reach 1..4 (out on 3, 4); served on 5 to 0; days 6..9 reach 0.5 .. 2.0: in.
    assert found.days[0] == 2


def certain_case(tag, sensitivity, tau, tolerance=4.5):
    """A tuning that only follows the wood, without any doubt, last served today."""
    case = prepare(invented.subject(instrument=tag, tolerance=tolerance), TODAY)
    prior = replace(case.prior, components=((1.0, tau),), start=Belief(0.0, 0.0))
    case = replace(case, prior=prior, start_mean=0.0, start_sd=0.0, walk_day=0.0, walk_hour=0.0)
    mean = np.zeros((5, 5))
    mean[:, 0] = sensitivity
    return case, Beliefs(np.eye(5)[2], mean, np.zeros((5, 5, 5)), np.full(5, 1e6), np.ones(5))


def fabric(path, air):
    n = len(path.mean)
    return Fabric(
        path.first_day,
        path.first_day + n - 1,
        {"room": path},
        {"room": np.full(n, 21.0)},
        {},
        {"room": air},
        ALWAYS,
    )


def still_air(moisture, ahead=400, back=100, doubt=0.0):
    n = back + ahead + 1
    return AirPath(TODAY - back, np.full(n, moisture), np.full((n, 1), doubt), ())


def test_two_instruments_in_a_room_held_damper_by_hand():
    """By hand: from rest the wood goes up by d(1 - exp(-j / tau)) in j days, and the pitch by b times that.

    With a calendar too long to matter, the instrument is out from the first j above -tau ln(1 - L / (b d)),
    which the less sensitive one never reaches. Without the holding nothing ever moves.
    """
    air = invented.room(days=400, low=0.35, high=0.35, weather=0.0)
    low, _ = equilibrium_moisture(21.0, np.array([0.45, 0.55]))
    dry = float(equilibrium_moisture(21.0, np.array([0.35]))[0])
    tau, sharper, milder, limit = 6.0, 500.0, 250.0, 4.5
    moved = float(low) - dry
    assert milder * moved < limit < sharper * moved
    first_out = int(np.floor(-tau * np.log(1 - limit / (sharper * moved)))) + 1
    pairs = [certain_case("A", sharper, tau, limit), certain_case("B", milder, tau, limit)]
    cases, beliefs = zip(*pairs, strict=True)
    cases = [replace(case, subject=replace(case.subject, interval_days=500.0)) for case in cases]
    woven = fabric(still_air(dry), air)
    # From tomorrow on: its first day is one in damp air, at whose end the wood has followed for one day.
    holding = Holding("room", Band(TODAY + 1, 0.45, 0.55), DAYS, np.ones(DAYS))
    sharp, mild = held_years(woven, woven.groups(cases), cases, beliefs, {}, TODAY, holding, 1)
    np.testing.assert_array_equal(sharp.days[HELD, CALENDAR], DAYS - (first_out - 1))
    np.testing.assert_array_equal(mild.days[HELD], 0)
    np.testing.assert_array_equal(sharp.days[FREE], 0)
    # Once out it is tuned a week later, and the wood has all but settled by then.
    np.testing.assert_array_equal(sharp.days[HELD, ONCE_OUT], 7)
    np.testing.assert_array_equal(sharp.services[HELD, ONCE_OUT], 1)
    np.testing.assert_array_equal(sharp.services[HELD, CALENDAR], 0)


@pytest.fixture(scope="module")
def model():
    subjects = [
        invented.subject(instrument="G-1", served=20),
        invented.subject(instrument="G-2", served=90, age_years=1.5),
        invented.subject("bedding", instrument="G-1", served=100),
        invented.subject(instrument="G-9", stays=(Stay(TODAY - 9000, "cellar"),)),
    ]
    rooms = [invented.room(low=0.25, high=0.6), invented.room("cellar", seed=5)]
    return build_model(rooms, subjects, ALWAYS, TODAY, 400)


@pytest.fixture(scope="module")
def held(model):
    """A year of the band that most tests ask about."""
    return year(model, Band(TODAY, 0.4, 0.5))


def test_a_band_the_room_never_leaves_is_worth_nothing_to_the_last_bit(model):
    lines = year(model, Band(TODAY, 0.0, 0.999))
    assert [line.place for line in lines] == [0, 1, 2]  # who stands in the cellar is not looked at
    for line in lines:
        for values in (line.days, line.weighted, line.services):
            np.testing.assert_array_equal(values[FREE], values[HELD])


def test_what_comes_before_the_band_is_the_same_and_asking_twice_gives_the_same_figures(model):
    for line in year(model, Band(TODAY + 30, 0.42, 0.48), 1):
        np.testing.assert_array_equal(line.services[FREE], line.services[HELD])
    twice = [year(model, Band(TODAY, 0.42, 0.48), 20) for _ in range(2)]
    for one, other in zip(*twice, strict=True):
        np.testing.assert_array_equal(one.days, other.days)


def test_a_narrower_band_leaves_fewer_tunings_out_and_weights_only_weigh(model, held):
    def out(lines, world):
        return sum(line.days[world, CALENDAR].mean() for line in lines[:2])

    half = np.where(np.arange(365) < 100, 0.0, 3.0)
    wider = year(model, Band(TODAY, 0.3, 0.56), weight=half)
    assert out(held, HELD) < out(wider, HELD) < out(held, FREE) == out(wider, FREE)
    for line, other in zip(year(model, Band(TODAY, 0.3, 0.56)), wider, strict=True):
        np.testing.assert_array_equal(line.days, other.days)
        assert np.all(other.weighted <= 3.0 * line.days)


def test_days_out_by_the_calendar_are_what_the_closed_form_expects(model, held):
    """Source: the forecast's closed form, which draws nothing.

    Without the holding, days out between visits on fixed days are the sum of the probabilities since each.
    Tolerance: four standard errors of the futures, and 2 % for what the closed form rounds (its Student t,
    and the fade of a second service, which it leaves out).
    """
    lines = held
    days = TODAY + np.arange(365)
    for line, served, interval in zip(lines[:2], (20, 90), (75, 75), strict=False):
        visits = np.arange(max(interval - served, 0), 365, interval) + TODAY
        since, after = model.out_probability(visits, days, [line.place])
        ends = np.append(visits[1:], TODAY + 365)
        expected = since[0][days < visits[0]].sum() + sum(
            after[0, s][(days >= visit) & (days < end)].sum()
            for s, (visit, end) in enumerate(zip(visits, ends, strict=True))
        )
        found = line.days[FREE, CALENDAR]
        np.testing.assert_array_equal(line.services[FREE, CALENDAR], len(visits))
        assert found.mean() == pytest.approx(
            expected, abs=4 * found.std() / np.sqrt(PATHS) + 0.02 * expected + 0.5
        )


def test_both_worlds_agree_with_an_independent_simulation():
    """Source: a plain loop over days written here, with its own random numbers, 4,000 futures.

    Air wanders around 7 % moisture with a known memory, one time constant, a doubtful sensitivity, a walk.
    Tolerance: four standard errors of both simulations together.
    """
    keep, sd, tau, served, interval, limit = 0.9, 0.004, 6.0, 30, 75, 4.5
    air = invented.room(days=400, low=0.36, high=0.36, weather=0.0)
    low, high = (float(x) for x in equilibrium_moisture(21.0, np.array([0.38, 0.48])))
    n, back = 501, 100
    noise = np.zeros(n)
    noise[back + 1 :] = sd
    path = AirPath(
        TODAY - back, np.full(n, 0.07), np.zeros((n, 1)), (Noise(np.where(noise > 0, keep, 0.0), noise),)
    )
    case, belief = certain_case("A", 400.0, tau, limit)
    subject = replace(case.subject, records=(Record(TODAY - served, None, None),), interval_days=interval)
    case = replace(case, subject=subject, last_day=TODAY - served, walk_day=0.02)
    spread = np.zeros((5, 5, 5))
    spread[:, 0, 0] = 120.0**2
    belief = replace(belief, spread=spread)
    woven = fabric(path, air)
    holding = Holding("room", Band(TODAY + 10, 0.38, 0.48), 200, np.ones(200))
    (line,) = held_years(woven, woven.groups([case]), [case], [belief], {}, TODAY, holding, 4)

    rng = np.random.default_rng(77)
    own = 4000
    sensitivity = rng.normal(400.0, 120.0, own)
    found = {}
    eps, steps = rng.standard_normal((211, own)), rng.standard_normal((211, own)) * np.sqrt(0.02)
    walk0 = rng.standard_normal(own) * np.sqrt(0.02 * served)
    for world in (FREE, HELD):
        for rule in (CALENDAR, ONCE_OUT):
            weather, wood, deviation = np.zeros(own), np.full(own, 0.07), walk0.copy()
            last, called, out_days = np.full(own, -served), np.full(own, -1), np.zeros(own)
            for day in range(210):
                if day:
                    weather = keep * weather + sd * eps[day]
                    felt = 0.07 + weather
                    if world == HELD and day >= 10:
                        felt = np.minimum(np.maximum(felt, low), high)
                    followed = np.exp(-1 / tau) * wood + (1 - np.exp(-1 / tau)) * felt
                    deviation = deviation + sensitivity * (followed - wood) + steps[day]
                    wood = followed
                if rule == CALENDAR:
                    done = day - last >= interval
                else:
                    called[(np.abs(deviation) > limit) & (called < 0)] = day
                    done = (called >= 0) & (day - called >= 7)
                last[done], called[done], deviation[done] = day, -1, 0.0
                out_days += (np.abs(deviation) > limit) * (day >= 10)
            found[world, rule] = out_days
    for (world, rule), days in found.items():
        ours = line.days[world, rule]
        error = np.hypot(ours.std() / np.sqrt(PATHS), days.std() / np.sqrt(own))
        assert ours.mean() == pytest.approx(days.mean(), abs=4 * error + 1e-9)
    gain = line.days[FREE, CALENDAR] - line.days[HELD, CALENDAR]
    assert gain.std() < 0.9 * np.hypot(line.days[FREE, CALENDAR].std(), line.days[HELD, CALENDAR].std())


def test_doubt_about_what_instruments_share_does_not_average_out(held):
    """Two tunings have the room's weather and a part of their doubt in common, so their days go together."""
    assert 0 < COMMON < 1
    first, second = (line.days[FREE, CALENDAR] for line in held[:2])
    assert np.corrcoef(first, second)[0, 1] > 0.1


def test_a_band_that_is_none_is_refused(model):
    with pytest.raises(ValueError, match="fractions that"):
        year(model, Band(TODAY, 0.5, 0.4))
    with pytest.raises(ValueError, match="beyond"):
        year(model, Band(TODAY + 100, 0.4, 0.5), 365)
