"""Make a draft season plan and print it."""

from __future__ import annotations

import math
from argparse import ArgumentTypeError
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output
from fleet.weeks import monday_of, mondays, week_of
from scheduling import planning
from scheduling.models import SeasonPlan

SHOWN_PUT_OFF = 10
WANTED = ("start", "weeks", "hours_per_week", "rules", "time_limit")


class Command(AlmanacCommand):
    help = "Make a draft season plan within the hours there are, with a proven gap, and print it."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument(
            "--start", required=True, type=week_argument, metavar="WEEK", help="e.g. 2027-W05"
        )
        parser.add_argument("--weeks", required=True, type=weeks_argument, metavar="N")
        parser.add_argument(
            "--hours-per-week", type=number(least=0), metavar="H", help="for all people together"
        )
        parser.add_argument("--rules", choices=planning.RULES, default="all")
        parser.add_argument(
            "--time-limit", type=number(above=0), default=planning.TIME_LIMIT, metavar="SECONDS"
        )
        parser.add_argument("--write-model", type=Path, metavar="FILE.mps")

    def run(self, options: dict[str, Any]) -> Output:
        wanted = planning.Wanted(**{name: options[name] for name in WANTED})
        plan = planning.make_season_plan(
            self.site, wanted, self.today, options["write_model"], self.progress, self.now
        )
        return document(plan), lines(plan)


def week_argument(text: str) -> date:
    """Return the Monday of a week, or say what a week looks like."""
    try:
        return monday_of(text)
    except ValueError as error:
        raise ArgumentTypeError(str(error)) from None


def weeks_argument(text: str) -> int:
    """Return a number of weeks, or say which are accepted."""
    if not text.isdecimal() or not 1 <= int(text) <= planning.MOST_WEEKS:
        raise ArgumentTypeError(f"{text!r}: expected 1 to {planning.MOST_WEEKS} weeks")
    return int(text)


def number(least: float = 0.0, above: float = -math.inf) -> Callable[[str], float]:
    """Return a reader of finite numbers that are at least one figure and above another."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value >= least and value > above):
            raise ArgumentTypeError(f"{text!r}: expected a number of {max(least, above):g} or more")
        return value

    return read


def document(plan: SeasonPlan) -> dict[str, Any]:
    """Return a plan in the form that stays stable."""
    return {
        "start": week_of(plan.start),
        "weeks": plan.weeks,
        "outcome": plan.outcome,
        "cost": plan.cost,
        "bound": plan.bound,
        "gap": plan.gap,
        "seconds": plan.seconds,
        "hours_offered": plan.hours_offered,
        "hours_used": plan.hours_used,
        "hour_worth": plan.hour_worth,
        "calendar_cost": plan.calendar_cost,
        "notes": plan.notes,
        "visits": [
            {
                "instrument": visit.instrument.tag,
                "service": visit.kind,
                "week": week_of(visit.week),
                "hours": visit.hours,
                "technician": visit.technician.name if visit.technician else planning.UNNAMED,
                "reason": visit.reason,
                "held": visit.held,
            }
            for visit in plan.visits.select_related("instrument", "technician")
        ],
        "put_off": [
            {
                "instrument": row.instrument.tag,
                "service": row.kind,
                "reason": row.reason,
                "expected_days_out": row.expected_days_out,
            }
            for row in plan.put_off.select_related("instrument")
        ],
    }


def lines(plan: SeasonPlan) -> Iterator[str]:
    """Say the same for people, week by week."""
    said = document(plan)
    kept = "" if plan.rules == "all" else ", paths and hours only"
    yield f"{plan.site}: {plan.weeks} weeks from {said['start']}, a draft ({plan.outcome}{kept})"
    yield (
        f"{plan.cost:.1f} weighted days out of tolerance expected; no plan can have fewer than "
        f"{plan.bound:.1f} (gap {plan.gap:.2%})"
    )
    yield f"by fixed intervals at the same hours: {plan.calendar_cost:.1f}"
    yield from plan.notes
    weekly = zip(
        mondays(plan.start, plan.weeks), plan.hours_used, plan.hours_offered, plan.hour_worth, strict=True
    )
    for monday, used, offered, worth in weekly:
        week = week_of(monday)
        yield f"{week}: {used:.2f} of {offered:.2f} hours, one more is worth {worth:.2f} weighted days"
        for visit in said["visits"]:
            if visit["week"] == week:
                yield (
                    f"  {visit['instrument']}: {visit['service']}, {visit['hours']:g} h, "
                    f"{visit['technician']}. {visit['reason']}"
                )
    yield f"put off: {len(said['put_off'])}"
    for row in said["put_off"][:SHOWN_PUT_OFF]:
        yield f"  {row['instrument']}: {row['service']}. {row['reason']}"
