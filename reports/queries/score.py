"""How good a site's forecasts would have been, as the page of the score shows it."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Any

from django.utils.translation import gettext as _

from fleet.models import ServiceKind, Site
from scheduling import backtesting
from scheduling.forecasting import engine_version
from scheduling.models import Backtest

DIGITS = {"mm": 3}  # a typical miss is a fraction of what a technician still measures
SURE = 1.96  # standard normal quantile of 97.5 %, for a range of 95 %


@dataclass(frozen=True)
class Share:
    """A share and the range in which the true one lies with 95 % certainty; fractions."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class ScoreLine:
    """One kind of service, or all together; shares are fractions, misses in the unit."""

    name: str
    unit: str
    digits: int
    pairs: int
    wanted: int
    inside: int
    share: Share
    miss: float
    by_interval: float
    by_season: float

    @property
    def gain(self) -> float:
        """By what fraction the typical miss is smaller than that of the better of the two simple ways."""
        rival = min(self.by_interval, self.by_season)
        return 1 - self.miss / rival if rival else 0.0

    @property
    def loss(self) -> float:
        """The same the other way round, where a simple way did better."""
        return -self.gain

    @property
    def as_it_should(self) -> bool:
        """Whether the share that was aimed at is within what chance explains."""
        return self.share.low <= backtesting.BAND <= self.share.high


@dataclass(frozen=True)
class ScorePage:
    """The newest scores, what is being computed now, and why the last attempt failed if it did."""

    underway: Backtest | None
    refused: Backtest | None
    done: Backtest | None
    outdated: bool
    sentence: str
    lines: list[ScoreLine]
    together: ScoreLine | None
    folds: int
    most_folds: int = backtesting.MOST_FOLDS


def score_page(site: Site) -> ScorePage:
    """Gather the scores of a site in three queries."""
    rows = Backtest.objects.of_site(site)
    newest = rows.first()
    done = rows.filter(state=Backtest.State.DONE).first()
    units = dict(ServiceKind.objects.of_site(site).values_list("kind", "unit"))
    scores = done.scores if done else None
    open_states = (Backtest.State.WAITING, Backtest.State.RUNNING)
    return ScorePage(
        underway=newest if newest and newest.state in open_states else None,
        refused=newest if newest and newest.state == Backtest.State.REFUSED else None,
        done=done,
        outdated=done is not None and done.code_version != engine_version(),
        sentence=backtesting.in_words(scores) if scores else "",
        lines=_lines(scores, units) if scores else [],
        together=_line(_("all together"), _("tolerances"), scores) if scores else None,
        folds=newest.folds if newest else backtesting.FOLDS,
    )


def _lines(scores: dict[str, Any], units: dict[str, str]) -> list[ScoreLine]:
    order = list(units)
    kinds = sorted(scores["by_service"], key=lambda kind: order.index(kind) if kind in order else len(order))
    return [_line(kind, units.get(kind, ""), scores["by_service"][kind]) for kind in kinds]


def _line(name: str, unit: str, found: dict[str, Any]) -> ScoreLine:
    pairs, wanted, inside = backtesting.counts(found)
    return ScoreLine(
        name=name,
        unit=unit,
        digits=DIGITS.get(unit, 2),
        pairs=pairs,
        wanted=wanted,
        inside=inside,
        share=binomial_share(inside, pairs),
        miss=found["crps"],
        by_interval=found["crps_baseline"]["fixed_interval"],
        by_season=found["crps_baseline"]["seasonal_mean"],
    )


def binomial_share(inside: int, pairs: int) -> Share:
    """Return a share with the range in which the true one lies with 95 % certainty (Wilson's interval).

    E. B. Wilson, "Probable inference, the law of succession, and statistical inference", Journal of the
    American Statistical Association 22, 1927.
    """
    share = inside / pairs
    scale = 1 + SURE**2 / pairs
    middle = (share + SURE**2 / (2 * pairs)) / scale
    reach = SURE * sqrt(share * (1 - share) / pairs + SURE**2 / (4 * pairs**2)) / scale
    return Share(share, max(middle - reach, 0.0), min(middle + reach, 1.0))
