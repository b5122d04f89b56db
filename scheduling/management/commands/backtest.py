"""Score a site's forecasts on its own records, and keep the scores for the page."""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Iterator
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output
from fleet.models import ServiceKind
from scheduling import backtesting


class Command(AlmanacCommand):
    help = (
        "Forecast each found value of a site's records from what was known before it, and print the scores."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--folds", type=folds_argument, default=backtesting.FOLDS, metavar="N")

    def run(self, options: dict[str, Any]) -> Output:
        def tell(done: int, total: int) -> None:
            self.progress(f"backtest: fold {done} of {total}")

        scores = backtesting.run(self.site, self.today, self.now, options["folds"], tell).scores
        units = dict(ServiceKind.objects.of_site(self.site).values_list("kind", "unit"))
        return scores, lines(scores, units)


def folds_argument(text: str) -> int:
    """Return the number of folds, or say which are accepted."""
    if not text.isdecimal() or not 1 <= int(text) <= backtesting.MOST_FOLDS:
        raise ArgumentTypeError(f"{text!r}: expected 1 to {backtesting.MOST_FOLDS} folds")
    return int(text)


def lines(scores: dict[str, Any], units: dict[str, str]) -> Iterator[str]:
    """Say the same as sentences and a table for people."""
    yield backtesting.in_words(scores)
    yield ""
    yield f"{'service':<14}{'values':>8}{'in band':>9}{'error':>10}{'by interval':>13}{'by season':>11}  unit"
    rows = [(kind, each, units.get(kind, "")) for kind, each in scores["by_service"].items()]
    for name, each, unit in [*rows, ("all together", scores, "tolerances")]:
        rivals = each["crps_baseline"]
        yield (
            f"{name:<14}{each['pairs']:>8,}{each['coverage80']:>9.0%}{each['crps']:>10.3f}"
            f"{rivals['fixed_interval']:>13.3f}{rivals['seasonal_mean']:>11.3f}  {unit}"
        )
