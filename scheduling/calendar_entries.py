"""Keeping calendar entries in step with the plans: the same work keeps its identity when it moves."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from email.utils import parseaddr
from typing import Any
from uuid import uuid4

from django.db import transaction
from django.utils.formats import date_format

from fleet.models import Service, Site
from fleet.weeks import monday_before
from scheduling.day_times import take_from_layout
from scheduling.mail import sender_of
from scheduling.models import CalendarEntry, PlannedVisit, SeasonPlan, WeekPlan
from scheduling.plans_ahead import visits_ahead

WEEKS_AHEAD = 26
# What an entry says; where any of it changes, calendars are told by a higher sequence number.
SAID = ("week", "starts_at", "ends_at", "summary", "location", "description", "status")

Key = tuple[int | None, int, str, int]  # person, instrument, kind, part


@dataclass(frozen=True)
class Planned:
    """A stretch of work as the plans have it now."""

    key: Key
    said: dict[str, Any]

    @property
    def week(self) -> date:
        """Monday of its week."""
        week: date = self.said["week"]
        return week


def keep_in_step(site: Site, now: datetime) -> int:
    """Bring a site's entries of this and later weeks in step with its plans; return how many changed.

    Work that moves, within a week or to another, keeps its identity; what goes to another person is called
    off for the one and new for the other; what is recorded stays where it was. A second time changes nothing.
    """
    first = monday_before(site.local_date(now))
    with transaction.atomic():
        # One at a time for each site, so that two who look at once do not write the same entry twice.
        Site.objects.select_for_update().get(pk=site.pk)
        rows = CalendarEntry.objects.filter(site=site, week__gte=first)
        stored = [row for row in rows if row.status != CalendarEntry.Status.CANCELLED]
        pairs, new, gone = _matched(planned_work(site, first), stored)
        changed = [row for row, planned in pairs if _take_over(row, planned, now)]
        changed += [row for row in _not_done(gone, first) if _call_off(row, now)]
        CalendarEntry.objects.bulk_update(changed, [*SAID, "sequence", "changed_at"])
        CalendarEntry.objects.bulk_create(_row(site, planned, now) for planned in new)
    return len(changed) + len(new)


def planned_work(site: Site, first: date) -> list[Planned]:
    """Return the work of the coming weeks as the plans have it."""
    _, visits = visits_ahead(site, first, WEEKS_AHEAD)
    by_week: dict[date, list[PlannedVisit]] = defaultdict(list)
    for visit in visits:
        by_week[visit.week].append(visit)
    laid_out = set(WeekPlan.objects.of_site(site).filter(week__in=by_week).values_list("week", flat=True))
    times = {week: take_from_layout(site, week, by_week[week]) for week in laid_out}
    return [
        planned
        for week, there in by_week.items()
        for visit in there
        for planned in _sittings(visit, times.get(week, {}).get(visit.pk, []))
    ]


def _sittings(visit: PlannedVisit, times: Iterable[Any]) -> list[Planned]:
    room, approved = visit.instrument.room, visit.plan.state == SeasonPlan.State.APPROVED
    said = {
        "week": visit.week,
        "starts_at": None,
        "ends_at": None,
        "summary": f"{visit.instrument.tag}: {visit.kind}, {round(visit.hours, 2):g} h",
        "location": ", ".join(filter(None, (room.name, room.building))),
        "description": visit.reason,
        "status": CalendarEntry.Status.CONFIRMED if approved else CalendarEntry.Status.TENTATIVE,
    }
    stretches = [{"starts_at": one.starts_at, "ends_at": one.ends_at} for one in times] or [{}]
    return [
        Planned((visit.technician_id, visit.instrument_id, visit.kind, part), said | stretch)
        for part, stretch in enumerate(stretches)
    ]


def _matched(
    planned: list[Planned], stored: list[CalendarEntry]
) -> tuple[list[tuple[CalendarEntry, Planned]], list[Planned], list[CalendarEntry]]:
    """Pair work with its entries, first where the week is the same, then in the order of the weeks."""
    pairs: list[tuple[CalendarEntry, Planned]] = []
    for same_week in (True, False):
        waiting: dict[Hashable, list[CalendarEntry]] = defaultdict(list)
        for row in sorted(stored, key=lambda row: row.week):
            waiting[_key(row), row.week if same_week else None].append(row)
        left = []
        for one in sorted(planned, key=lambda one: one.week):
            there = waiting[one.key, one.week if same_week else None]
            if there:
                pairs.append((there.pop(0), one))
            else:
                left.append(one)
        planned, stored = left, [row for rows in waiting.values() for row in rows]
    return pairs, planned, stored


def _key(row: CalendarEntry) -> Key:
    return row.person_id, row.instrument_id, row.kind, row.part


def _take_over(row: CalendarEntry, planned: Planned, now: datetime) -> bool:
    """Let an entry say what the plan says; return whether that is something else."""
    if all(getattr(row, name) == value for name, value in planned.said.items()):
        return False
    for name, value in planned.said.items():
        setattr(row, name, value)
    row.sequence += 1
    row.changed_at = now
    return True


def _call_off(row: CalendarEntry, now: datetime) -> bool:
    row.status = CalendarEntry.Status.CANCELLED
    row.sequence += 1
    row.changed_at = now
    return True


def _not_done(rows: list[CalendarEntry], first: date) -> list[CalendarEntry]:
    """Leave out entries of the week whose service is recorded: a newer plan has no visit for them."""
    services = Service.objects.answering().filter(
        instrument__in={row.instrument_id for row in rows},
        date__gte=first,
        date__lt=first + timedelta(days=7),
    )
    done = set(services.values_list("instrument", "kind"))
    return [row for row in rows if row.week != first or (row.instrument_id, row.kind) not in done]


def _row(site: Site, planned: Planned, now: datetime) -> CalendarEntry:
    person, instrument, kind, part = planned.key
    domain = parseaddr(sender_of(site))[1].rpartition("@")[2] or "localhost"
    return CalendarEntry(
        site=site,
        person_id=person,
        instrument_id=instrument,
        kind=kind,
        part=part,
        uid=f"work-{uuid4()}@{domain}",
        changed_at=now,
        **planned.said,
    )


def of_week(site: Site, monday: date, since: datetime | None) -> dict[int, list[CalendarEntry]]:
    """Return by person what a letter attaches: the week's entries, and what changed since."""
    rows = list(CalendarEntry.objects.filter(site=site, week__gte=monday - timedelta(weeks=1)))
    found: dict[int, list[CalendarEntry]] = defaultdict(list)
    for row in rows:
        stands = row.week == monday and row.status != CalendarEntry.Status.CANCELLED
        changed = since is not None and row.sequence > 0 and row.changed_at > since
        if row.person_id is not None and (stands or changed):
            found[row.person_id].append(row)
    return dict(found)


def week_in_words(row: CalendarEntry) -> str:
    """Return the week of an entry without a time, for its description."""
    return f"Any day in the week of {date_format(row.week, 'j F Y')}."
