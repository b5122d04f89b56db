"""What holding a room's humidity does in a year: the same futures lived twice, held and not."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine import priors
from scheduling.engine.airpath import AirPath
from scheduling.engine.cases import Beliefs, Case, part_scale
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING, WARMTH
from scheduling.engine.expectation import settling_change
from scheduling.engine.fabric import Fabric, Group
from scheduling.engine.held_air import moisture_ends
from scheduling.engine.lag import lagged_daily
from scheduling.engine.passage import noise_factors
from scheduling.engine.servicing import ByCalendar, Course, OnceOut, Rule, Tally, serviced
from scheduling.engine.simulation import FORGOTTEN_DAYS, square_roots
from scheduling.engine.subjects import Band

Floats = NDArray[np.float64]
Components = tuple[tuple[float, float], ...]

PATHS = 1000  # a mean is then off by 3 % of the spread from future to future
# Of a coefficient's doubt, what instruments alike share: one that all have wrong does not average out.
COMMON = priors.GROUP_SHARE + priors.SITE_SHARE
FREE, HELD = 0, 1


@dataclass(frozen=True)
class Holding:
    """What is asked: a room held to a band, and the days that count.

    Attributes
    ----------
    room : str
    band : Band
    days : int
        How many days from the band's first on are counted.
    weight : array, shape (days,)
        Factor on the weight of a day out of tolerance [-].
    """

    room: str
    band: Band
    days: int
    weight: Floats


@dataclass(frozen=True)
class LineYear:
    """One instrument and service in both worlds, under both rules; arrays of shape (2, 2, paths).

    The first axis is free or held, the second by calendar or once out of tolerance.

    Attributes
    ----------
    days, weighted : array
        Days out of tolerance, and the same times the factor of each day [d].
    services : array
        Services done [-].
    """

    place: int
    days: Floats
    weighted: Floats
    services: Floats


class _TwoAirs:
    """The days of a room from before today to the end, drawn once, as they come and held to a band."""

    def __init__(self, fabric: Fabric, holding: Holding, today: int, seed: int) -> None:
        path: AirPath = fabric.moisture[holding.room]
        self.now = today - fabric.first_day
        self.first = min(path.first_doubt(max(self.now - FORGOTTEN_DAYS, 0)), self.now)
        drawn = path.since(self.first).draw(np.random.default_rng([seed, 0]), PATHS)
        mean = path.mean[self.first :]
        low, high = moisture_ends(fabric.rooms[holding.room], holding.band, today)
        start = max(holding.band.from_day - fabric.first_day, self.now + 1) - self.first
        held, air = drawn.copy(), mean[start:] + drawn[:, start:]
        # What lies inside is left as it is to the last bit, so that a band never left changes nothing.
        outside = (air < low) | (air > high)
        held[:, start:][outside] = (np.clip(air, low, high) - mean[start:])[outside]
        self._airs = drawn, held
        self._woods: dict[tuple[int, Components], Floats] = {}

    def wood(self, world: int, components: Components) -> Floats:
        """Departures of some wood's moisture from its mean, shape (paths, n) from place `first` on."""
        if (world, components) not in self._woods:
            air = self._airs[world]
            self._woods[world, components] = sum(
                (sign * lagged_daily(air, tau) for sign, tau in components), np.zeros_like(air)
            )
        return self._woods[world, components]


def held_years(
    fabric: Fabric,
    groups: Sequence[Group],
    cases: Sequence[Case],
    beliefs: Sequence[Beliefs],
    spreads: dict[int, int],
    today: int,
    holding: Holding,
    seed: int,
) -> Iterator[LineYear]:
    """Live the futures of every line that stands in a room on the band's first day.

    Parameters
    ----------
    fabric, groups, cases, beliefs
        Of the whole fleet, no room held to anything.
    spreads : mapping
        For a tuning's place, the place of its registers' spread, which is out on its own and tuned with it.
    today : int
        Proleptic ordinal.
    seed : int

    Raises
    ------
    ValueError
        Where the band is none.

    Notes
    -----
    A future is drawn whole: the room's season and weather, each line's coefficients and time constant from
    what has been learned, and the walk. The same numbers serve both worlds and both rules, so that a
    difference holds nothing of chance but its own. All lines of a room share its weather; of the doubt about
    a coefficient, lines of one service share the part that instruments alike have in common by the prior.
    The room's air is clipped to the band day by day from the band's first day on; the wood follows with its
    lag, so the first weeks belong to the change. Days are judged once a day. An instrument that is to leave
    the room later is taken to stay.
    """
    airs = _TwoAirs(fabric, holding, today, seed)
    hidden = set(spreads.values())
    by_case = {i: group for group in groups for i in group.members}
    window = holding.band.from_day - today, holding.band.from_day - today + holding.days
    for i, case in enumerate(cases):
        if i in hidden or room_on(case, holding.band.from_day) != holding.room:
            continue
        parts = [i, spreads[i]] if i in spreads else [i]
        rules: tuple[Rule, Rule] = (
            ByCalendar(case.subject.interval_days, case.last_day - today),
            OnceOut(),
        )
        tallies = []
        for world in (FREE, HELD):
            courses = [
                _course(by_case[one], cases[one], beliefs[one], airs, world, today, seed) for one in parts
            ]
            limit = case.subject.tolerance
            tallies.append([serviced(courses, limit, rule, window, holding.weight) for rule in rules])
        yield _line_year(i, tallies)


def room_on(case: Case, day: int) -> str:
    """The room in which a case's instrument stands on a day."""
    stays = case.subject.stays
    return next((stay.room for stay in reversed(stays) if stay.from_day <= day), stays[0].room)


def _line_year(place: int, tallies: list[list[Tally]]) -> LineYear:
    def table(name: str) -> Floats:
        return np.array([[getattr(tally, name) for tally in world] for world in tallies], float)

    return LineYear(place, table("days"), table("weighted"), table("services"))


def _course(
    group: Group, case: Case, belief: Beliefs, airs: _TwoAirs, world: int, today: int, seed: int
) -> Course:
    """The deviation of one case in one world, from today on, as what each day adds."""
    service = zlib.crc32(case.subject.service.encode())
    own = np.random.default_rng([seed, service, zlib.crc32(case.subject.instrument.encode()), 1])
    shared = np.random.default_rng([seed, service, 2]).standard_normal((PATHS, N_PARTS))
    factor = np.searchsorted(np.cumsum(belief.weights)[:-1], own.random(PATHS))
    noise = noise_factors(own.random(PATHS), float(belief.shape[0])) * (belief.shape * belief.scale)[factor]
    z = np.sqrt(COMMON) * shared + np.sqrt(1.0 - COMMON) * own.standard_normal((PATHS, N_PARTS))
    drawn = np.einsum("pij,pj->pi", square_roots(belief.spread)[factor], z) * np.sqrt(noise)[:, None]
    coefficients = (belief.mean[factor] + drawn) * part_scale(case, case.fade)
    now, last = (int(place) for place in group.place(np.array([today, case.last_day])))
    end = len(group.playing_days)
    clocks = np.zeros((N_PARTS, end - now))
    clocks[SETTLING] = settling_change(case, case.last_day, today + np.arange(end - now))
    clocks[HOURS] = group.playing_days[now:] - group.playing_days[last]
    clocks[WARMTH] = group.warmth[now:] - group.warmth[last]
    clocks[CYCLING] = group.travel[now] - group.travel[last] + _travelled(group, airs, world, now)
    wood, before = _wood(group, airs, world, factor, now, last)
    settles = np.diff(clocks[SETTLING])[:, None] * coefficients[:, SETTLING]
    wears = sum(clocks[part][:, None] * coefficients[:, part] for part in (HOURS, CYCLING, WARMTH))
    moves = wears + coefficients[:, MOISTURE] * (wood - before)
    rate = case.walk_hour * case.thousands_per_day
    steps = case.walk_day + rate * np.diff(group.playing_days[now:])
    walked = case.walk_day * (today - case.last_day) + rate * (
        group.playing_days[now] - group.playing_days[last]
    )
    variance = noise * (case.start_sd**2 + walked) + sum(sd**2 for _, _, sd in case.jumps)
    start = case.start_mean + sum(size for _, size, _ in case.jumps)
    start = start + own.standard_normal(PATHS) * np.sqrt(variance)
    walk = own.standard_normal((end - now - 1, PATHS)) * np.sqrt(steps[:, None] * noise)
    return Course(
        start=start + moves[0] + clocks[SETTLING, 0] * coefficients[:, SETTLING],
        moves=np.diff(moves, axis=0) + walk,
        settles=settles,
        fade=case.prior.settle_fade,
        left=case.prior.start.mean
        + case.prior.start.sd * np.sqrt(noise) * own.standard_normal((end - now - 1, PATHS)),
    )


def _wood(
    group: Group, airs: _TwoAirs, world: int, factor: NDArray[np.int64], now: int, last: int
) -> tuple[Floats, Floats]:
    """Moisture of each path's own wood from today on, shape (n, paths), and at the last service (paths,)."""
    n = len(group.playing_days) - now
    wood, before = np.zeros((n, PATHS)), np.zeros(PATHS)
    for k in np.unique(factor) if group.woods[0].components else ():
        mean, mine = group.woods[k].mean, factor == k
        departures = airs.wood(world, group.woods[k].components)[mine]
        wood[:, mine] = mean[now:, None] + departures[:, now - airs.first :].T
        before[mine] = mean[last]
        if last >= airs.first:
            before[mine] += departures[:, last - airs.first]
    return wood, before


def _travelled(group: Group, airs: _TwoAirs, world: int, now: int) -> Floats:
    """Moisture the key frame will have travelled since today, the mean over all futures, shape (n,)."""
    air = group.woods[0].air
    level = float(air.mean[0])
    mean = level + lagged_daily(air.mean - level, priors.KEY_FRAME_TAU)
    departures = airs.wood(world, ((1.0, priors.KEY_FRAME_TAU),))[:, now - airs.first :]
    steps = np.abs(np.diff(mean[now:] + departures, axis=1)).mean(axis=0)
    return np.concatenate([[0.0], np.cumsum(steps)])
