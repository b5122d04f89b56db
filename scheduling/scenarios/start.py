"""What a season is computed from, in the form that the changes of a scenario work on; no database."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from fleet import defaults
from fleet.models import Instrument, ServiceRule
from scheduling.engine.subjects import Band, Floats, RoomAir, Stay
from scheduling.inputs import Away, Catalogue, FleetFacts, Line
from scheduling.season_problem import Season


@dataclass(frozen=True)
class Start:
    """A season's inputs; every method returns others and leaves these as they are.

    Attributes
    ----------
    also_away : tuple of (person, first day, last day)
        Beside the absences stored.
    more : array, shape (W,)
        Hours more in each week, fewer below zero [h].
    gone : frozenset of int
        Instruments that are no longer worked on; what they have taught about others stays known.
    """

    season: Season
    facts: FleetFacts
    catalogue: Catalogue
    also_away: tuple[Away, ...]
    more: Floats
    gone: frozenset[int] = frozenset()

    @classmethod
    def unchanged(cls, season: Season, facts: FleetFacts, catalogue: Catalogue) -> Start:
        """The season as it is."""
        return cls(season, facts, catalogue, (), np.zeros(season.weeks))

    def with_hours(self, hours: float, first: date | None, last: date | None) -> Start:
        """So many hours a week more in the weeks that begin within two days."""
        within = [
            (first is None or monday >= first) and (last is None or monday <= last)
            for monday in self.season.mondays
        ]
        return replace(self, more=self.more + hours * np.array(within, dtype=float))

    def with_away(self, person: int, first: date, last: date) -> Start:
        """A person away."""
        return replace(self, also_away=(*self.also_away, (person, first, last)))

    def with_humidity_held(self, room: str, low_rh: float, high_rh: float, first: date) -> Start:
        """The humidity of one room held between two fractions from a day on; no other room is touched."""
        band = Band(first.toordinal(), low_rh, high_rh)
        rooms = tuple(_held(air, band) if air.room == room else air for air in self.facts.rooms)
        return self._with_facts(replace(self.facts, rooms=rooms))

    def with_added(self, count: int, kind: str, use_class: str, room: str) -> Start:
        """So many new instruments of a kind in a room, from today on."""
        stays = (Stay(self.facts.today.toordinal(), room),)
        taken = len({line.instrument_id for line in self.facts.lines if line.instrument_id < 0})
        new: list[Line] = []
        for number in range(1, count + 1):
            instrument = Instrument(
                pk=-(taken + number),
                tag=f"new {kind} {taken + number}",
                kind=kind,
                use_class=use_class,
                year_built=self.facts.today.year,
                in_service_since=self.facts.today,
            )
            new += self.catalogue.lines(instrument, stays, {}, ())
        return self._with_facts(replace(self.facts, lines=(*self.facts.lines, *new)))

    def without(self, tags: Iterable[str]) -> Start:
        """Some instruments retired before the season begins."""
        wanted = set(tags)
        gone = {line.instrument_id for line in self.facts.lines if line.subject.instrument in wanted}
        return replace(self, gone=self.gone | gone)

    def with_use(self, tags: Iterable[str], use_class: str) -> Start:
        """Some instruments in another use class: its tolerances, weights, hours and intervals."""
        wanted = set(tags)
        rules = {rule.service_kind.kind: rule for rule in self.catalogue.rules[use_class]}
        lines = tuple(
            _in_use(line, use_class, rules[line.subject.service])
            if line.subject.instrument in wanted and line.subject.service in rules
            else line
            for line in self.facts.lines
        )
        return self._with_facts(replace(self.facts, lines=lines))

    def _with_facts(self, facts: FleetFacts) -> Start:
        return replace(self, facts=facts)


def _held(air: RoomAir, band: Band) -> RoomAir:
    return replace(air, band=band)


def _in_use(line: Line, use_class: str, rule: ServiceRule) -> Line:
    """A line as another use class treats it; hours played that nobody has said are those of the class."""
    subject = line.subject
    usual = defaults.HOURS_PLAYED_PER_WEEK
    played = subject.hours_per_week
    if played == usual[subject.use_class]:
        played = float(usual[use_class])
    return replace(
        line,
        weight=rule.weight,
        hours=rule.hours,
        spacing_weeks=rule.spacing_weeks,
        subject=replace(
            subject,
            use_class=use_class,
            tolerance=rule.tolerance,
            interval_days=float(rule.interval_days),
            hours_per_week=played,
        ),
    )
