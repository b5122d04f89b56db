"""Lay out a week of the season plan to the hour and print it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import groupby
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output
from fleet.weeks import week_of
from scheduling import planning, week_planning
from scheduling.management.commands.plan_season import number, week_argument
from scheduling.models import Appointment, WeekPlan


class Command(AlmanacCommand):
    help = "Lay out a week of the season plan: days, times and people; what finds no place says why."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("week", type=week_argument, metavar="WEEK", help="ISO week such as 2027-W05")
        parser.add_argument(
            "--time-limit", type=number(above=0), default=week_planning.TIME_LIMIT, metavar="SECONDS"
        )

    def run(self, options: dict[str, Any]) -> Output:
        week = week_planning.lay_out_week(
            self.site, options["week"], self.now, time_limit=options["time_limit"]
        )
        return self.document(week), self.lines(week)

    def document(self, week: WeekPlan) -> dict[str, Any]:
        """Return a week in the form that stays stable; times carry the site's offset."""
        return {
            "week": week_of(week.week),
            "number": week.number,
            "made_at": self._local(week.made_at),
            "plan": {"start": week_of(week.plan.start), "weeks": week.plan.weeks, "state": week.plan.state},
            "outcome": week.outcome,
            "cost": week.cost,
            "bound": week.bound,
            "gap": week.gap,
            "seconds": week.seconds,
            "notes": week.notes,
            "appointments": [
                {
                    "technician": one.technician.name if one.technician else planning.UNNAMED,
                    "starts_at": self._local(one.starts_at),
                    "ends_at": self._local(one.ends_at),
                    "room": one.room.name,
                    "building": one.room.building,
                    "instrument": one.visit.instrument.tag,
                    "service": one.visit.kind,
                    "part": one.part,
                    "held": one.visit.held,
                    "reason": one.visit.reason,
                }
                for one in _appointments(week)
            ],
            "not_placed": [
                {
                    "instrument": one.visit.instrument.tag,
                    "service": one.visit.kind,
                    "hours": one.hours,
                    "rules": one.rules,
                    "reason": one.reason,
                    "moves_to": week_of(one.moves_to) if one.moves_to else None,
                }
                for one in week.unplaced.select_related("visit__instrument")
            ],
        }

    def lines(self, week: WeekPlan) -> Iterator[str]:
        """Say the same for people, day by day and person by person."""
        said = self.document(week)
        yield (
            f"{week.site}: {said['week']}, layout {week.number} ({week.outcome}), "
            f"after the {week.plan.state} season plan from {said['plan']['start']}"
        )
        yield from week.notes
        if not said["appointments"] and not said["not_placed"]:
            yield "Nothing is planned in this week: its hours are free for what turns up."
        rows = list(_appointments(week))
        for (day, name), group in groupby(rows, key=self._day_and_person):
            yield f"{day:%A} {day.day} {day:%B}, {name}"
            for one in group:
                starts, ends = (at.astimezone(self.site.zone) for at in (one.starts_at, one.ends_at))
                place = f"{one.room.name}, {one.room.building}" if one.room.building else one.room.name
                yield f"  {starts:%H:%M}-{ends:%H:%M} {one.visit.instrument.tag}: {one.visit.kind} ({place})"
        for one in said["not_placed"]:
            later = f"; {one['moves_to']} has hours left for it" if one["moves_to"] else ""
            what = f"{one['service']} of {one['instrument']}, {one['hours']:g} h"
            yield f"not placed: {what}: {one['reason']}{later}"

    def _local(self, at: datetime) -> datetime:
        return at.astimezone(self.site.zone)

    def _day_and_person(self, one: Appointment) -> tuple[Any, str]:
        name = one.technician.name if one.technician else planning.UNNAMED
        return self._local(one.starts_at).date(), name


def _appointments(week: WeekPlan) -> list[Appointment]:
    zone = week.site.zone
    rows = week.appointments.select_related("visit__instrument", "technician", "room")
    return sorted(
        rows,
        key=lambda one: (
            one.starts_at.astimezone(zone).date(),
            one.technician.name if one.technician else "",
            one.starts_at,
        ),
    )
