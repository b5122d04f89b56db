"""Why a forecast says what it says: shares that add to one, in words a player's dean would follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduling.engine import priors
from scheduling.engine.cases import YEAR, Beliefs, Case, part_scale, still_new
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, SETTLING, WARMTH
from scheduling.engine.expectation import settling_change, wood_change
from scheduling.engine.fabric import Fabric, Group
from scheduling.engine.said import Figure, Term, Value, joined, worded, worded_many
from scheduling.engine.sensitivities import sensitivity

PITCH = "tuning"
EIGHT_IN_TEN = 1.2816  # standard deviations either way
LEAST_SHARE = 0.01  # a reason that explains less is not worth a sentence


@dataclass(frozen=True)
class Driver:
    """One reason of a forecast; the shares of an outlook add to one."""

    name: str
    share: float
    words: str


@dataclass(frozen=True)
class Contributions:
    """Sizes of the parts of a deviation at one day: expected moves [unit] and variances [unit^2]."""

    season: float
    travel: float
    warmth: float
    settling: float
    hours: float
    weather: float
    walk_use: float
    walk_time: float
    walk_age: float
    start: float
    coefficients: float

    def shares(self) -> dict[str, float]:
        """Mean squares of the named drivers, made to add to one."""
        squares = {
            "season": self.season**2 + self.travel**2 + self.warmth**2,
            "weather": self.weather,
            "settling": self.settling**2,
            "use": self.hours**2 + self.walk_use,
            "age": self.walk_age,
            "unknown": self.walk_time + self.start + self.coefficients,
        }
        total = sum(squares.values())
        if total <= 0:
            return {name: float(name == "unknown") for name in squares}
        return {name: square / total for name, square in squares.items()}


def contributions(
    group: Group, case: Case, belief: Beliefs, day: int, change: float, moved: float
) -> Contributions:
    """Take the deviation at a day apart, at the likeliest time constant.

    Parameters
    ----------
    change, moved : float
        Mean [fraction] and variance of the wood's change from the last service to that day.
    """
    k = int(np.argmax(belief.weights))
    start, end = (int(place) for place in group.place(np.array([case.last_day, day])))
    scale = part_scale(case, case.fade)
    parts = (
        np.array(
            [
                change,
                float(settling_change(case, case.last_day, day)),
                group.playing_days[end] - group.playing_days[start],
                group.travel[end] - group.travel[start],
                group.warmth[end] - group.warmth[start],
            ]
        )
        * scale
    )
    moves = belief.mean[k] * parts
    noise = float(belief.scale[k])
    elapsed = max(day - case.last_day, 0)
    walk = noise * case.walk_day * elapsed
    age = 1.0 - 1.0 / priors.walk_factor((day - case.subject.built_day) / YEAR)
    return Contributions(
        season=float(moves[MOISTURE]),
        travel=float(moves[CYCLING]),
        warmth=float(moves[WARMTH]),
        settling=float(moves[SETTLING]),
        hours=float(moves[HOURS]),
        weather=float(belief.mean[k, MOISTURE] ** 2 * moved),
        walk_use=noise * case.walk_hour * float(parts[HOURS]),
        walk_time=walk * (1.0 - age),
        walk_age=walk * age,
        start=noise * case.start_sd**2 + sum(sd**2 for _, _, sd in case.jumps),
        coefficients=noise * float(parts @ belief.spread[k] @ parts),
    )


def explain_group(
    fabric: Fabric, group: Group, cases: Sequence[Case], beliefs: Sequence[Beliefs], days: Sequence[int]
) -> list[tuple[Driver, ...]]:
    """Drivers of each member of a group at its own day; the wood of all is worked out together."""
    out: list[tuple[Driver, ...]] = [()] * len(group.members)
    likeliest = np.array([int(np.argmax(beliefs[i].weights)) for i in group.members])
    for k in np.unique(likeliest):
        rows = [int(row) for row in np.flatnonzero(likeliest == k)]
        ends, which = np.unique([days[row] for row in rows], return_inverse=True)
        start = group.place(np.array([cases[group.members[row]].last_day for row in rows]))
        change, moved = wood_change(group, int(k), start, group.place(ends))
        for j, row in enumerate(rows):
            i = group.members[row]
            at = j, which[j]
            found = contributions(group, cases[i], beliefs[i], days[row], float(change[at]), float(moved[at]))
            out[row] = _named_drivers(fabric, cases[i], beliefs[i], found, days[row])
    return out


def _named_drivers(
    fabric: Fabric, case: Case, belief: Beliefs, found: Contributions, day: int
) -> tuple[Driver, ...]:
    """Largest share first; what plays next to no part is counted with the unknown."""
    words = {
        "season": joined(" ", [_season_words(fabric, case, found, day), _learned_words(case, belief)]),
        "weather": _weather_words(case, found),
        "settling": _settling_words(case, found, day),
        "use": worded("Playing, %(hours)s hours in a usual week.", hours=Figure(case.subject.hours_per_week)),
        "age": worded(
            "Built in %(year)s: old instruments wander more.",
            year=date.fromordinal(case.subject.built_day).year,
        ),
        "unknown": _unknown_words(case, belief),
    }
    shares = found.shares()
    named = {name: share for name, share in shares.items() if share >= LEAST_SHARE and name != "unknown"}
    named["unknown"] = 1.0 - sum(named.values())
    ranked = sorted(named, key=lambda name: -named[name])
    return tuple(Driver(name, named[name], words[name]) for name in ranked)


def humidity_at(fabric: Fabric, case: Case, day: int) -> tuple[str, float, bool]:
    """Room, relative humidity [fraction] around a day (a fortnight's mean), and whether it was read."""
    place = day - fabric.first_day
    room = [name for start, name in fabric.spans(case.subject) if start <= max(place, 0)][-1]
    air = fabric.rooms[room]
    near = np.abs(air.days - day) <= 7
    if near.any():
        return room, float(air.rh[near].mean()), True
    return room, float(fabric.humidity_seasons[room].expected(np.array([day]))[0]), False


def _season_words(fabric: Fabric, case: Case, found: Contributions, day: int) -> str:
    room, before, _ = humidity_at(fabric, case, case.last_day)
    where, after, read = humidity_at(fabric, case, day)
    rounded = Figure(100 * after, ".0f")
    swing: dict[str, Value] = {
        "before": Figure(100 * before, ".0f"),
        "after": rounded if read else worded("about %(after)s", after=rounded),
        "day": date.fromordinal(day),
        "moved": _moved_words(case, found),
    }
    if room != where:
        said = worded(
            "The air it stands in goes from %(before)s %% humidity in %(room)s to %(after)s %% by %(day)s, "
            "which %(moved)s.",
            room=room,
            **swing,
        )
    elif where:
        said = worded(
            "%(room)s goes from %(before)s %% humidity to %(after)s %% by %(day)s, which %(moved)s.",
            room=where,
            **swing,
        )
    else:
        said = worded(
            "The room goes from %(before)s %% humidity to %(after)s %% by %(day)s, which %(moved)s.", **swing
        )
    return joined(" ", [said, *_source_words(fabric, case, where)])


def _moved_words(case: Case, found: Contributions) -> str:
    effect: dict[str, Value] = {"effect": Figure(abs(found.season), ".2g"), "unit": Term(case.subject.unit)}
    if case.subject.service != PITCH:
        return worded("moves it by %(effect)s %(unit)s", **effect)
    if found.season > 0:
        return worded("sharpens the pitch by %(effect)s %(unit)s", **effect)
    return worded("flattens the pitch by %(effect)s %(unit)s", **effect)


def _learned_words(case: Case, belief: Beliefs) -> str:
    """What its own records say of a tuning's sensitivity, in plain words."""
    if case.subject.service != PITCH or not belief.learned_from:
        return ""
    found = sensitivity(belief)
    off = EIGHT_IN_TEN * found.sd
    return worded_many(
        "This instrument moves %(mean)s %(unit)s per percent of humidity "
        "(eight in ten: %(low)s to %(high)s), learned from %(number)s tuning.",
        "This instrument moves %(mean)s %(unit)s per percent of humidity "
        "(eight in ten: %(low)s to %(high)s), learned from %(number)s tunings.",
        belief.learned_from,
        mean=Figure(found.mean, ".2g"),
        unit=Term(case.subject.unit),
        low=Figure(found.mean - off, ".2g"),
        high=Figure(found.mean + off, ".2g"),
    )


def _source_words(fabric: Fabric, case: Case, room: str) -> list[str]:
    air = fabric.rooms[room]
    words: list[str] = []
    if air.borrowed_from:
        words.append(
            worded(
                "The room has no sensor: values are taken from %(room)s, so the band is wider.",
                room=air.borrowed_from,
            )
        )
    elif not len(air.days):
        words.append(worded("No readings of this room: its season is supposed, so the band is wide."))
    if case.subject.humidity_control:
        words.append(
            worded("The fitted humidity control is thought to keep most of this away from the wood.")
        )
    return words


def _weather_words(case: Case, found: Contributions) -> str:
    size = found.weather**0.5
    return worded(
        "Weather that nobody can know yet: give or take %(size)s %(unit)s.",
        size=Figure(size, ".2g"),
        unit=Term(case.subject.unit),
    )


def _settling_words(case: Case, found: Contributions, day: int) -> str:
    years = max(day - case.subject.in_service_day, 0) / YEAR
    return worded(
        "After %(years)s years in service it is still settling: %(size)s %(unit)s.",
        years=Figure(years, ".1f"),
        size=Figure(found.settling, "+.2g"),
        unit=Term(case.subject.unit),
    )


def _unknown_words(case: Case, belief: Beliefs) -> str:
    if not case.serviced and still_new(case.subject, case.last_day):
        return "No service is on record since it came new; it is supposed to have been right when it came."
    if not case.serviced:
        return worded(
            "No service is on record; one is supposed a usual interval ago or earlier, "
            "so the start is a wide guess."
        )
    if not belief.learned_from:
        return worded(
            "What such instruments do for no reason we could name; its own records have taught nothing yet."
        )
    return worded_many(
        "What the model cannot explain, judged by one value found at earlier services.",
        "What the model cannot explain, judged by %(number)s values found at earlier services.",
        belief.learned_from,
    )
