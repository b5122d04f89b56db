"""What a plan knew of each service when it was made, kept as rows: costs, closed weeks, order, who can."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from scheduling.engine.subjects import Floats
from scheduling.models import LineCosts, SeasonPlan
from scheduling.season_problem import SeasonSetup

# Costs of so many drafts that nobody approved are kept; an older one can be read but not changed any more.
DRAFTS_KEPT = 5


@dataclass(frozen=True)
class Waits:
    """That a visit waits for another service; ``allowed[s, w-1]`` as in the engine's `Requirement`."""

    on: str
    name: str
    reason: str
    allowed: np.ndarray[Any, np.dtype[np.bool_]]

    def allows(self, week: int, others: Iterable[int]) -> bool:
        """Whether a visit in a week is allowed when the other service's visits are in these weeks."""
        latest = max((other for other in others if other <= week), default=0)
        return bool(self.allowed[latest, week - 1])


@dataclass(frozen=True)
class PlanLine:
    """One service of one instrument in a plan: hours [h], and cost [weighted d] between any two nodes."""

    instrument_id: int
    kind: str
    hours: float
    cost: Floats
    closed: dict[int, str]
    waits: tuple[Waits, ...]
    people: tuple[int | None, ...]
    spacing_weeks: int = 1
    shares: dict[str, float] = field(default_factory=dict)

    @property
    def weeks(self) -> int:
        """Weeks of the season."""
        return len(self.cost) - 2

    def cost_of(self, weeks: Iterable[int]) -> float:
        """Return the expected weighted days out of tolerance with visits in these weeks, counted from 1."""
        nodes = [0, *sorted(weeks), self.weeks + 1]
        return float(self.cost[nodes[:-1], nodes[1:]].sum())


def store_lines(plan: SeasonPlan, setup: SeasonSetup) -> None:
    """Keep what a plan was judged by, and forget it for drafts that have long been passed over."""
    LineCosts.objects.bulk_create(_rows(plan, setup), batch_size=500)
    drafts = SeasonPlan.objects.of_site(plan.site).filter(state=SeasonPlan.State.DRAFT)
    old = list(drafts.order_by("-made_at", "-pk").values_list("pk", flat=True)[DRAFTS_KEPT:])
    LineCosts.objects.filter(plan__in=old).delete()


def _rows(plan: SeasonPlan, setup: SeasonSetup) -> Iterator[LineCosts]:
    above = np.triu_indices(setup.season.weeks + 2, k=1)
    rules = defaultdict(list)
    for rule in setup.problem.rules:
        packed = np.packbits(rule.allowed).tobytes().hex()
        on = setup.lines[rule.on].subject.service
        rules[rule.job].append({"on": on, "name": rule.name, "reason": rule.reason, "allowed": packed})
    shares: dict[int, dict[str, float]] = defaultdict(dict)
    for one in setup.problem.sharings:
        shares[one.job][setup.lines[one.beside].subject.service] = one.hours
    ids = [person.pk if person else None for person in setup.offered.people]
    for n, line in enumerate(setup.lines):
        yield LineCosts(
            plan=plan,
            instrument_id=line.instrument_id,
            kind=line.subject.service,
            hours=line.hours,
            cost=np.ascontiguousarray(setup.problem.jobs[n].cost[above], dtype="<f8").tobytes(),
            barred={str(week): why for week, why in setup.wishes.closed.get(n, {}).items()},
            rules=rules[n],
            spacing_weeks=setup.problem.jobs[n].spacing,
            shares=shares[n],
            people=[ids[person] for person in setup.problem.eligible(n)],
        )


def read_lines(plan: SeasonPlan, instruments: Sequence[int]) -> dict[tuple[int, str], PlanLine]:
    """Return what a plan knew of some instruments, by instrument and kind."""
    rows = LineCosts.objects.filter(plan=plan, instrument__in=instruments)
    return {(row.instrument_id, row.kind): _line(row, plan.weeks) for row in rows}


def _line(row: LineCosts, weeks: int) -> PlanLine:
    cost = np.zeros((weeks + 2, weeks + 2))
    cost[np.triu_indices(weeks + 2, k=1)] = np.frombuffer(bytes(row.cost), dtype="<f8")
    return PlanLine(
        instrument_id=row.instrument_id,
        kind=row.kind,
        hours=row.hours,
        cost=cost,
        closed={int(week): why for week, why in row.barred.items()},
        waits=tuple(
            Waits(rule["on"], rule["name"], rule["reason"], _unpacked(rule["allowed"], weeks))
            for rule in row.rules
        ),
        people=tuple(row.people),
        spacing_weeks=row.spacing_weeks,
        shares=row.shares,
    )


def _unpacked(packed: str, weeks: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    bits = np.unpackbits(np.frombuffer(bytes.fromhex(packed), dtype=np.uint8), count=(weeks + 1) * weeks)
    return bits.astype(bool).reshape(weeks + 1, weeks)
