"""Backtests as a service: how good a site's forecasts would have been, by its own records."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from fleet.access import MOST_DIGITS
from fleet.models import Site
from fleet.refusal import Refused
from scheduling.engine import backtest as engine
from scheduling.forecasting import engine_version
from scheduling.inputs import fleet_facts
from scheduling.models import Backtest

FOLDS = 5
MOST_FOLDS = 50
BAND = 0.8
BEGUN_WITHIN, DONE_WITHIN = timedelta(minutes=2), timedelta(minutes=30)

Progress = Callable[[int, int], None]


def ask(site: Site, today: date, now: datetime, folds: int = FOLDS) -> Backtest:
    """Put a backtest down to be computed; one that still waits is not asked for twice.

    Raises
    ------
    fleet.refusal.Refused
        Where the number of folds is out of range.
    """
    check_folds(folds)
    open_states = (Backtest.State.WAITING, Backtest.State.RUNNING)
    with transaction.atomic():
        waiting = Backtest.objects.of_site(site).filter(state__in=open_states, today=today, folds=folds)
        return waiting.first() or Backtest.objects.create(site=site, today=today, folds=folds, asked_at=now)


def compute(backtest_id: int, now: datetime) -> None:
    """Compute a backtest that was asked for; one that is done or refused is left as it is."""
    again = ~Q(state__in=(Backtest.State.DONE, Backtest.State.REFUSED))
    claimed = Backtest.objects.filter(again, pk=backtest_id).update(state=Backtest.State.RUNNING)
    if not claimed:
        return
    asked = Backtest.objects.select_related("site").get(pk=backtest_id)
    row = Backtest.objects.filter(pk=backtest_id)

    def tell(done: int, total: int) -> None:
        row.update(folds_done=done)

    try:
        scores = score(asked.site, asked.today, asked.folds, tell)
    except Refused as refused:
        row.update(state=Backtest.State.REFUSED, trouble=str(refused), made_at=now)
        return
    row.update(state=Backtest.State.DONE, scores=scores, made_at=now, code_version=engine_version())


def run(
    site: Site, today: date, now: datetime, folds: int = FOLDS, progress: Progress | None = None
) -> Backtest:
    """Compute a backtest at once and keep it for the page.

    Raises
    ------
    fleet.refusal.Refused
        Where the number of folds is out of range or there are too few found values; nothing is kept.
    """
    check_folds(folds)
    scores = score(site, today, folds, progress)
    return Backtest.objects.create(
        site=site,
        today=today,
        folds=folds,
        asked_at=now,
        made_at=now,
        state=Backtest.State.DONE,
        folds_done=folds,
        scores=scores,
        code_version=engine_version(),
    )


def check_folds(folds: int) -> None:
    """Refuse a number of folds that is none or too many to be worth the time."""
    if not 1 <= folds <= MOST_FOLDS:
        raise Refused(
            _("the number of folds is out of range"),
            value=folds,
            accepted=_("1 to %(most_folds)s") % {"most_folds": MOST_FOLDS},
        )


def folds_of(text: str) -> int:
    """Read a number of folds as a person typed it, or refuse."""
    if not text.strip().isdecimal() or len(text) > MOST_DIGITS:
        raise Refused(
            _("not a number of folds"),
            value=text,
            accepted=_("1 to %(most_folds)s") % {"most_folds": MOST_FOLDS},
        )
    return int(text)


def forgotten(now: datetime) -> list[int]:
    """Return backtests that the queue lost: nobody began them, or whoever did has long been gone."""
    waiting = Q(state=Backtest.State.WAITING, asked_at__lt=now - BEGUN_WITHIN)
    running = Q(state=Backtest.State.RUNNING, asked_at__lt=now - DONE_WITHIN)
    return list(Backtest.objects.filter(waiting | running).order_by("pk").values_list("pk", flat=True))


def score(site: Site, today: date, folds: int, progress: Progress | None = None) -> dict[str, Any]:
    """Return the scores of a site's records up to a day, in the form that stays stable.

    Raises
    ------
    fleet.refusal.Refused
        Where there are too few found values, or the engine refuses a fact.
    """
    facts = fleet_facts(site, today, 1)
    try:
        found = engine.backtest(facts.rooms, facts.subjects, facts.playing, folds, progress)
    except ValueError as error:
        raise Refused(_("no backtest can be made: %(error)s") % {"error": error}) from error
    by_service = {service: document(each) for service, each in found.by_service.items()}
    return {"folds": found.folds, **document(found.overall), "by_service": by_service}


def document(found: engine.Score) -> dict[str, Any]:
    """Return one score in the form that stays stable."""
    return {
        "pairs": found.pairs,
        "coverage80": found.coverage80,
        "crps": found.crps,
        "crps_baseline": {"fixed_interval": found.fixed_interval, "seasonal_mean": found.seasonal_mean},
    }


def counts(found: dict[str, Any]) -> tuple[int, int, int]:
    """Return the found values of a score, how many should have lain in the band, and how many did."""
    pairs = found["pairs"]
    return pairs, round(BAND * pairs), round(found["coverage80"] * pairs)


def in_words(scores: dict[str, Any]) -> str:
    """Say in a sentence how many found values lay where they should have."""
    pairs, wanted, inside = counts(scores)
    return _("Of %(pairs)s found values, %(wanted)s should have lain in the stated band; %(inside)s did.") % {
        "pairs": f"{pairs:,}",
        "wanted": f"{wanted:,}",
        "inside": f"{inside:,}",
    }
