"""What a clock that ran ahead wrote into the future, mended once it has been set right.

A turn taken, a lease or a wait that ends in the future would hold work up until then, and a forecast of a day
to come would stand as the newest. Only what decides which work is next is touched; facts keep their time.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from django.db import models, transaction

from fleet.models import Arrival, BookingSource, FactChange, PublicPost, ReadingsUpload, WayIn
from scheduling.heartbeats import TICK
from scheduling.models import (
    Backtest,
    ForecastRun,
    Heartbeat,
    Letter,
    SeasonPlan,
    WeekPlan,
)
from scheduling.models.asked import AskedWork

log = logging.getLogger(__name__)

# Clocks of two machines that are kept in step differ by less; nothing is to be mended for that.
AHEAD = timedelta(minutes=5)
# Longer than any lease, pause or wait: what began so long ago is free to be taken up.
LONG_AGO = timedelta(days=2)

# Instants that may never lie ahead, and become the present where they do.
HAS_BEEN: tuple[tuple[type[models.Model], str], ...] = (
    (FactChange, "at"),
    (ForecastRun, "made_at"),
    (SeasonPlan, "made_at"),
    (SeasonPlan, "approved_at"),
    (WeekPlan, "made_at"),
    (WayIn, "minute_began_at"),
)
# Instants by which it is told whether work is somebody's already; where they lie ahead it is nobody's.
IN_HAND: tuple[tuple[type[models.Model], str], ...] = (
    *((work, "heard_at") for work in AskedWork.__subclasses__()),
    (Backtest, "asked_at"),
)
# Instants that lie ahead by right, but by less than a day.
TO_COME: tuple[tuple[type[models.Model], str], ...] = (
    (BookingSource, "next_fetch_at"),
    (Letter, "next_try_at"),
    (Letter, "lease_until"),
    (ReadingsUpload, "lease_until"),
    (Arrival, "lease_until"),
)
LONGEST_TO_COME = timedelta(days=1)
# The day has begun nowhere on earth that is not the UTC date so much later.
EARLIEST_ZONE = timedelta(hours=14)


def seconds_ahead(now: datetime) -> float:
    """Return by how much the clock was last seen later than now [s], 0 where time went on as it does."""
    last = Heartbeat.objects.filter(name=TICK, at__gt=now + AHEAD).values_list("at", flat=True).first()
    return (last - now).total_seconds() if last else 0.0


def mend(now: datetime) -> bool:
    """Let nothing wait for an instant that a wrong clock has named; return whether the clock was set back."""
    ahead = seconds_ahead(now)
    if not ahead:
        return False
    log.warning("the clock was set back by about %d s: what waits for a later hour is let go", ahead)
    later = now + AHEAD
    with transaction.atomic():
        Heartbeat.objects.filter(at__gt=later).delete()
        PublicPost.objects.filter(at__gt=later).delete()
        ForecastRun.objects.filter(today__gt=(now + EARLIEST_ZONE).date()).delete()
        for model, name in HAS_BEEN:
            _rows(model, name, later).update(**{name: now})
        for model, name in IN_HAND:
            _rows(model, name, later).update(**{name: now - LONG_AGO})
        for model, name in TO_COME:
            _rows(model, name, now + LONGEST_TO_COME).update(**{name: now})
    return True


def _rows(model: type[models.Model], name: str, after: datetime) -> models.QuerySet[models.Model]:
    return model._default_manager.filter(**{f"{name}__gt": after})
