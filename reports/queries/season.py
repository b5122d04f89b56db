"""What the season plan shows: a table of weeks and instruments, the hours under it, and what was put off."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.utils.translation import gettext

from fleet.models import Instrument, Room, Site
from fleet.weeks import monday_before, mondays
from scheduling.asked_work import OPEN
from scheduling.models import DraftOrder, PlanChange, PlannedVisit, PutOff, SeasonPlan

PUT_OFF = 20  # services on a leaf of what was put off
ROWS = 30  # instruments on a leaf of the table
CHANGES = 40
ORDER = ("instrument__room__building", "instrument__room__name", "instrument__tag")


@dataclass(frozen=True)
class WeekColumn:
    """One week of the plan: hours [h], worth [weighted days per h], and bar lengths in percent."""

    monday: date
    offered: float
    used: float
    worth: float
    offered_length: float
    used_length: float
    new_month: bool

    @property
    def over(self) -> bool:
        """Whether more is planned than offered."""
        return self.used > self.offered + 1e-6


@dataclass(frozen=True)
class PlanRow:
    """One instrument: its visits week by week, in the order of the columns."""

    instrument: Instrument
    cells: list[list[PlannedVisit]]


@dataclass(frozen=True)
class RoomRows:
    """The rows of one room."""

    room: Room
    rows: list[PlanRow]


@dataclass(frozen=True)
class Followed:
    """The first and last week to come in which people work by a plan, and the plan they work by instead."""

    first: date | None
    last: date | None
    instead: SeasonPlan | None


@dataclass(frozen=True)
class SeasonPage:
    """A season plan as a page shows it."""

    plan: SeasonPlan
    weeks: list[WeekColumn]
    rooms: list[RoomRows]
    leaf: Page[int]
    put_off: Page[PutOff]
    letters: dict[str, str]
    offered: float
    used: float
    others: list[SeasonPlan]
    changes: list[PlanChange]
    open_orders: list[DraftOrder]
    followed: Followed
    from_now: date

    @property
    def weeks_from_now(self) -> int:
        """How many weeks of the plan are left."""
        return max(self.plan.weeks - (self.from_now - self.plan.start).days // 7, 1)

    @property
    def moves(self) -> list[dict[str, Any]]:
        """What moved against the plan before, its weeks as days."""
        return [
            {**row, **{end: date.fromisoformat(row[end]) if row[end] else None for end in ("from", "to")}}
            for row in self.plan.moves
        ]

    @property
    def saved_share(self) -> float | None:
        """What the plan saves of the calendar rule's cost, as a fraction."""
        calendar = self.plan.calendar_cost
        return (calendar - self.plan.cost) / calendar if calendar else None


def season_page(
    site: Site,
    plan: SeasonPlan,
    today: date,
    leaf: str = "",
    in_hand: PlannedVisit | None = None,
    put_off: str = "",
) -> SeasonPage:
    """Lay out a leaf of a plan, the one with the visit in hand if there is one, and one of what was put off.

    The same number of queries whatever the size of the fleet.
    """
    planned = PlannedVisit.objects.filter(plan=plan)
    page = _leaf(planned, leaf, in_hand)
    visits = list(
        planned.filter(instrument__in=page.object_list)
        .select_related("instrument__room", "technician")
        .order_by(*ORDER, "week", "kind")
    )
    waiting = PutOff.objects.filter(plan=plan).select_related("instrument__room").order_by("-cost", "pk")
    kinds = list(site.service_kinds.values_list("kind", flat=True))
    return SeasonPage(
        plan=plan,
        weeks=_columns(plan),
        rooms=[RoomRows(room, list(rows)) for room, rows in groupby(_rows(plan, visits), _room)],
        leaf=page,
        put_off=Paginator(waiting, PUT_OFF).get_page(put_off),
        letters=short_letters([*kinds, *sorted({visit.kind for visit in visits} - set(kinds))]),
        offered=sum(plan.hours_offered),
        used=sum(plan.hours_used),
        others=list(SeasonPlan.objects.of_site(site).exclude(pk=plan.pk).order_by("-made_at", "-pk")[:8]),
        changes=list(plan.changes.select_related("instrument").order_by("-version")[:CHANGES]),
        open_orders=list(DraftOrder.objects.of_site(site).filter(state__in=OPEN)),
        followed=_followed(site, plan, today),
        from_now=max(plan.start, monday_before(today)),
    )


def _leaf(planned: QuerySet[PlannedVisit], leaf: str, in_hand: PlannedVisit | None) -> Page[int]:
    """Turn to a leaf of the instruments that have visits."""
    rows = planned.order_by(*ORDER).values_list("instrument_id", *ORDER).distinct()
    instruments = [row[0] for row in rows]
    if in_hand is not None and in_hand.instrument_id in instruments:
        leaf = str(instruments.index(in_hand.instrument_id) // ROWS + 1)
    return Paginator(instruments, ROWS).get_page(leaf)


def _followed(site: Site, plan: SeasonPlan, today: date) -> Followed:
    """Week by week the plan approved last counts; a draft counts nowhere."""
    ahead = {week for week in mondays(plan.start, plan.weeks) if week >= monday_before(today)}
    if plan.approved_at is None:
        return Followed(None, None, None)
    newer = SeasonPlan.objects.of_site(site).filter(approved_at__gt=plan.approved_at).order_by("-approved_at")
    instead = None
    for other in newer:
        taken = ahead & set(mondays(other.start, other.weeks))
        instead = instead or (other if taken else None)
        ahead -= taken
    return Followed(min(ahead, default=None), max(ahead, default=None), instead)


def _columns(plan: SeasonPlan) -> list[WeekColumn]:
    weeks = mondays(plan.start, plan.weeks)
    most = max([*plan.hours_offered, *plan.hours_used, 1e-9])
    return [
        WeekColumn(
            monday,
            offered,
            used,
            worth,
            offered_length=round(100 * offered / most, 1),
            used_length=round(100 * used / most, 1),
            new_month=number == 0 or monday.month != weeks[number - 1].month,
        )
        for number, (monday, offered, used, worth) in enumerate(
            zip(weeks, plan.hours_offered, plan.hours_used, plan.hour_worth, strict=True)
        )
    ]


def _rows(plan: SeasonPlan, visits: Iterable[PlannedVisit]) -> list[PlanRow]:
    by_instrument: dict[Instrument, dict[date, list[PlannedVisit]]] = {}
    for visit in visits:
        by_instrument.setdefault(visit.instrument, defaultdict(list))[visit.week].append(visit)
    weeks = mondays(plan.start, plan.weeks)
    return [
        PlanRow(instrument, [cells.get(monday, []) for monday in weeks])
        for instrument, cells in by_instrument.items()
    ]


def _room(row: PlanRow) -> Room:
    return row.instrument.room


def short_letters(kinds: Iterable[str]) -> dict[str, str]:
    """Give each kind of service the shortest beginning, in the reader's words, that none before has taken."""
    taken: dict[str, str] = {}
    for kind in kinds:
        name = gettext(kind)
        lengths = range(1, len(name) + 1)
        short = next((name[:n] for n in lengths if name[:n] not in taken.values()), name)
        taken[kind] = short
    return taken
