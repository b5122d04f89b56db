"""A week as a model of CP-SAT: who makes which visit, on which day, and at which slot sittings begin."""

from collections import defaultdict
from collections.abc import Iterable, Mapping

from ortools.sat.python import cp_model

from scheduling.engine.week.free import starts
from scheduling.engine.week.problem import Span, WeekProblem
from scheduling.engine.week.rules import (
    BESIDE,
    DRYING,
    EAR_BREAK,
    EAR_DAY,
    EAR_RESTS,
    EAR_TIRES,
    HOURS,
    NAMES,
    NEEDS,
    ONE_THING,
    ORDER,
    QUIET,
    WALK,
    WALKING,
)

Literal = cp_model.IntVar
Place = tuple[int, int]
"""A sitting: number of its visit and its place among the visit's sittings."""


class WeekModel:
    """Variables and rules of a week, without what is to be minimised.

    Parameters
    ----------
    problem : WeekProblem
    rules : frozenset of str
        Names of the rules that hold; all of them unless the reason of something is looked for.
    given : mapping of (visit, sitting) to (person, day), optional
        Where every visit that is to be placed is decided but for the time of the day; others are left out.

    Notes
    -----
    With k[v] whether a visit is kept, a[v,p] whether person p makes it and b[s] where sitting s begins:

        sum over p of a[v,p] = k[v]
        a[v,p]  =>  b[s] lies where p is free, the room is and the rules allow it
        a[v,p]  :   the sittings of p do not overlap, nor do those of an instrument
        k[v], k[w], w waits for v  =>  b[first of w] >= end of the last sitting of v
    """

    def __init__(
        self,
        problem: WeekProblem,
        rules: frozenset[str] = NAMES,
        given: Mapping[Place, tuple[int, int]] | None = None,
    ) -> None:
        self.problem, self.rules, self.given = problem, rules, given
        self.cp = cp_model.CpModel()
        self.keep: list[Literal] = []
        self.by: dict[tuple[int, int], Literal] = {}
        self.begins: dict[Place, cp_model.IntVar] = {}
        self.on: dict[tuple[int, int, int], Literal] = {}
        for visit in range(len(problem.visits)):
            self._visit(visit)
        self.placeable = [v for v in range(len(problem.visits)) if (v, 0) in self.begins]
        self._people()
        self._instruments()
        for name, add in (
            (QUIET, self._quiet_rooms),
            (WALKING, self._ways),
            (ORDER, self._order),
            (NEEDS, self._needs),
            (BESIDE, self._beside),
            (HOURS, self._hours),
            (EAR_RESTS, self._ear_rests),
            (EAR_TIRES, self._ear_tires),
        ):
            if name in rules:
                add()

    def people_of(self, visit: int) -> list[int]:
        """Return who can make a visit."""
        return [person for person in self.problem.visits[visit].people if (visit, person) in self.by]

    def end(self, place: Place) -> cp_model.LinearExpr:
        """Return the end of a sitting."""
        return self.begins[place] + self.problem.visits[place[0]].sittings[place[1]]

    def places(self, visits: Iterable[int] | None = None) -> list[Place]:
        """Return the sittings of visits that can be placed at all."""
        chosen = self.placeable if visits is None else visits
        return [(v, n) for v in chosen for n in range(len(self.problem.visits[v].sittings))]

    def _visit(self, number: int) -> None:
        visit, keep = self.problem.visits[number], self.cp.new_bool_var(f"keep {number}")
        self.keep.append(keep)
        able = {
            person: spans
            for person in visit.people
            if all(spans := [self._starts(number, person, n) for n in range(len(visit.sittings))])
        }
        if not able:
            self.cp.add(keep == 0)
            return
        for person in able:
            self.by[number, person] = self.cp.new_bool_var(f"by {number} {person}")
        self.cp.add(sum(self.by[number, person] for person in able) == keep)
        for sitting in range(len(visit.sittings)):
            self._sitting(number, sitting, {person: spans[sitting] for person, spans in able.items()})
        for sitting in range(1, len(visit.sittings)):
            wait = visit.wait if DRYING in self.rules else 0
            self.cp.add(
                self.begins[number, sitting] >= self.end((number, sitting - 1)) + wait
            ).only_enforce_if(keep)

    def _starts(self, number: int, person: int, sitting: int) -> list[Span]:
        visit = self.problem.visits[number]
        if self.given is None:
            return starts(self.problem, visit, person, sitting, self.rules)
        chosen = self.given.get((number, sitting))
        if chosen is None or chosen[0] != person:
            return []
        day = self.problem.day_span(chosen[1])
        found = starts(self.problem, visit, person, sitting, self.rules)
        cut = [Span(max(span.first, day.first), min(span.last, day.last)) for span in found]
        return [span for span in cut if span.first < span.last]

    def _sitting(self, number: int, sitting: int, where: dict[int, list[Span]]) -> None:
        domains = {person: _domain(spans) for person, spans in where.items()}
        whole = domains[next(iter(domains))]
        for domain in domains.values():
            whole = whole.union_with(domain)
        begins = self.cp.new_int_var_from_domain(whole, f"begins {number} {sitting}")
        self.begins[number, sitting] = begins
        for person, domain in domains.items():
            if domain.flattened_intervals() != whole.flattened_intervals():
                self.cp.add_linear_expression_in_domain(begins, domain).only_enforce_if(
                    self.by[number, person]
                )
        for day in sorted({day for spans in where.values() for span in spans for day in self._days(span)}):
            literal = self.on[number, sitting, day] = self.cp.new_bool_var(f"on {number} {sitting} {day}")
            span = self.problem.day_span(day)
            self.cp.add(begins >= span.first).only_enforce_if(literal)
            self.cp.add(begins < span.last).only_enforce_if(literal)
        days = [self.on[number, sitting, day] for day in range(7) if (number, sitting, day) in self.on]
        self.cp.add(sum(days) == self.keep[number])

    def _days(self, span: Span) -> range:
        return range(self.problem.day_of(span.first), self.problem.day_of(span.last - 1) + 1)

    def interval(
        self, place: Place, literal: Literal, before: int = 0, after: int = 0
    ) -> cp_model.IntervalVar:
        """Return a sitting, and so much before and after it, as an interval there if the literal is true."""
        length = before + self.problem.visits[place[0]].sittings[place[1]] + after
        return self.cp.new_optional_fixed_size_interval_var(
            self.begins[place] - before, length, literal, f"sitting {place}"
        )

    def _people(self) -> None:
        if ONE_THING not in self.rules:
            return
        mine: dict[int, list[cp_model.IntervalVar]] = defaultdict(list)
        for visit, person in self.by:
            mine[person] += [self.interval(place, self.by[visit, person]) for place in self.places([visit])]
        for intervals in mine.values():
            self.cp.add_no_overlap(intervals)

    def _instruments(self) -> None:
        if ONE_THING not in self.rules:
            return
        for visits in self._by_instrument().values():
            if len(visits) > 1:
                self.cp.add_no_overlap(
                    [self.interval(place, self.keep[place[0]]) for place in self.places(visits)]
                )

    def _by_instrument(self) -> dict[int, list[int]]:
        found = defaultdict(list)
        for visit in self.placeable:
            found[self.problem.visits[visit].instrument].append(visit)
        return found

    def _quiet_rooms(self) -> None:
        """Whoever listens takes the whole room, others a share of it each."""
        people = max(len(self.problem.workers), 1)
        by_room = defaultdict(list)
        for visit in self.placeable:
            by_room[self.problem.visits[visit].room].append(visit)
        for visits in by_room.values():
            instruments = {self.problem.visits[visit].instrument for visit in visits}
            if people < 2 or len(instruments) < 2:
                continue
            places = self.places(visits)
            self.cp.add_cumulative(
                [self.interval(place, self.keep[place[0]]) for place in places],
                [people if self.problem.visits[visit].listens else 1 for visit, _ in places],
                people,
            )

    def _ways(self) -> None:
        """A sitting in one building takes its person whole, with the ways those elsewhere a share of it each.

        Sittings elsewhere overlap one another by their ways alone, so that three at most share an instant.
        """
        shares = 2 * WALK + 1
        for person in range(len(self.problem.workers)):
            mine = [place for visit, who in self.by if who == person for place in self.places([visit])]
            buildings = sorted({self.problem.building_of(visit) for visit, _ in mine})
            for building in buildings[1:]:
                here = [self.problem.building_of(visit) == building for visit, _ in mine]
                self.cp.add_cumulative(
                    [
                        self.interval(place, self.by[place[0], person], *((0, 0) if inside else (WALK, WALK)))
                        for place, inside in zip(mine, here, strict=True)
                    ],
                    [shares if inside else 1 for inside in here],
                    shares,
                )

    def _order(self) -> None:
        for visit in self.placeable:
            for earlier in self.problem.visits[visit].after:
                if (earlier, 0) in self.begins:
                    last = (earlier, len(self.problem.visits[earlier].sittings) - 1)
                    self.cp.add(self.begins[visit, 0] >= self.end(last)).only_enforce_if(
                        [self.keep[visit], self.keep[earlier]]
                    )

    def _needs(self) -> None:
        for number, visit in enumerate(self.problem.visits):
            for other in visit.needs:
                self.cp.add_implication(self.keep[number], self.keep[other])

    def _beside(self) -> None:
        for visit in self.placeable:
            other = self.problem.visits[visit].beside
            if other is None or (other, 0) not in self.begins:
                continue
            for person in self.people_of(visit):
                too = [self.by[other, person]] if (other, person) in self.by else []
                self.cp.add_bool_or([~self.by[visit, person], ~self.keep[other], *too])
            for day in range(7):
                if (visit, 0, day) in self.on:
                    there = [
                        self.on[place] for one in self.places([other]) if (place := (*one, day)) in self.on
                    ]
                    self.cp.add_bool_or([~self.on[visit, 0, day], ~self.keep[other], *there])

    def _hours(self) -> None:
        for person, worker in enumerate(self.problem.workers):
            mine = [(v, p) for v, p in self.by if p == person]
            if sum(self.problem.visits[v].minutes for v, _ in mine) > worker.minutes:
                used = sum(self.problem.visits[v].minutes * self.by[v, p] for v, p in mine)
                self.cp.add(used <= worker.minutes)

    def _tiring(self) -> dict[int, list[Place]]:
        found: dict[int, list[Place]] = defaultdict(list)
        for visit, person in self.by:
            if self.problem.visits[visit].tires:
                found[person] += self.places([visit])
        return found

    def _ear_rests(self) -> None:
        for person, places in self._tiring().items():
            self.cp.add_no_overlap(
                [self.interval(place, self.by[place[0], person], after=EAR_BREAK) for place in places]
            )

    def _ear_tires(self) -> None:
        for person, places in self._tiring().items():
            for day in range(7):
                here = [place for place in places if (*place, day) in self.on]
                lengths = [self.problem.visits[v].sittings[n] for v, n in here]
                if sum(lengths) > EAR_DAY:
                    listening = [self.both(self.by[v, person], self.on[v, n, day]) for v, n in here]
                    self.cp.add(
                        sum(length * one for length, one in zip(lengths, listening, strict=True)) <= EAR_DAY
                    )

    def both(self, one: Literal, other: Literal) -> Literal:
        """Return a literal that is true at least where both are."""
        literal = self.cp.new_bool_var("both")
        self.cp.add_bool_or([~one, ~other, literal])
        return literal


def _domain(spans: list[Span]) -> cp_model.Domain:
    return cp_model.Domain.from_intervals([[span.first, span.last - 1] for span in spans])
