"""Recompute and store a site's forecasts, and print them."""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Iterator
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output
from fleet.models import Instrument
from fleet.refusal import Refused
from scheduling import forecasting
from scheduling.models import Forecast, ForecastRun


class Command(AlmanacCommand):
    help = "Recompute and store the forecasts of a site, and print them."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--instrument", metavar="TAG", help="recompute and print only this instrument")
        parser.add_argument(
            "--horizon-days", type=horizon_argument, default=forecasting.HORIZON_DAYS, metavar="N"
        )

    def run(self, options: dict[str, Any]) -> Output:
        some = None if options["instrument"] is None else [self.instrument(options["instrument"])]
        run = forecasting.refresh(
            self.site, self.today, options["horizon_days"], self.progress, self.now, some
        )
        rows = Forecast.objects.of_site(self.site).filter(**{} if some is None else {"instrument__in": some})
        rows = rows.select_related("instrument").order_by("instrument__tag", "pk")
        return document(run, rows), lines(run, rows)

    def instrument(self, tag: str) -> int:
        """Return the instrument of a tag, or refuse."""
        found = Instrument.objects.of_site(self.site).filter(tag=tag).first()
        if found is None:
            raise Refused("there is no such instrument", column="--instrument", value=tag)
        return found.pk


def horizon_argument(text: str) -> int:
    """Return the horizon in days, or say which are accepted."""
    if not text.isdecimal() or not 1 <= int(text) <= forecasting.LONGEST_HORIZON_DAYS:
        raise ArgumentTypeError(f"{text!r}: expected 1 to {forecasting.LONGEST_HORIZON_DAYS} days")
    return int(text)


def document(run: ForecastRun, rows: Any) -> dict[str, Any]:
    """Return the forecasts in the form that stays stable."""
    made_at = run.made_at.astimezone(run.site.zone)
    return {"made_at": made_at, "site": run.site.name, "forecasts": [entry(row) for row in rows]}


def entry(row: Forecast) -> dict[str, Any]:
    """Return one forecast in the form that stays stable."""
    return {
        "instrument": row.instrument.tag,
        "service": row.kind,
        "unit": row.unit,
        "tolerance": row.tolerance,
        "last_service": row.last_service,
        "out_now": row.out_now,
        "due": {"p10": row.due_early, "p50": row.due_middle, "p90": row.due_late},
        "out_of_tolerance": [[day, p] for day, p, _, _ in row.weekly],
        "expected_deviation": [[day, mean, sd] for day, _, mean, sd in row.weekly],
        "drivers": row.drivers,
        "learned_from": row.learned_from,
    }


def lines(run: ForecastRun, rows: Any) -> Iterator[str]:
    """Say the same as a table for people."""
    yield f"{run.site.name}, as of {run.today}"
    yield f"{'instrument':<14} {'service':<12} {'state':<17} {'out now':>7}  early       middle      late"
    for row in rows:
        days = (row.due_early, row.due_middle, row.due_late)
        due = "  ".join(f"{str(day or 'beyond'):<10}" for day in days)
        state = row.get_state_display()
        yield f"{row.instrument.tag:<14} {row.kind:<12} {state:<17} {row.out_now:>7.0%}  {due}".rstrip()
