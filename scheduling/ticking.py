"""What is due now and has no row yet, asked of the database; doing it twice does nothing more."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.conf import settings
from django.db.models import OuterRef, Subquery

from fleet import arrivals, booking_sources, instrument_changes, putting_away, throttle, uploads
from fleet.doors import passwords, sign_ins
from fleet.models import Instrument, Site
from scheduling import (
    air_alerts,
    backtesting,
    calendar_entries,
    changed_facts,
    clock_set_back,
    door_letters,
    letters,
    outbox,
)
from scheduling.asked_work import unclaimed
from scheduling.heartbeats import TICK, beat, take_turn
from scheduling.models import (
    DraftOrder,
    FirstForecast,
    ForecastRun,
    HoldingStudy,
    Scenario,
    SeasonsAhead,
)

log = logging.getLogger(__name__)

QUIET_FROM, QUIET_TO = time(1), time(4)
# A refresh that has not come back after this long is asked for again.
REFRESH_AGAIN_AFTER = timedelta(minutes=30)
# A change of facts wakes its own refresh; one that waits longer than this was forgotten by the queue, or is
# being computed, and the same facts computed twice give the same row.
CHANGE_WAITS = timedelta(minutes=2)
CHANGE_AGAIN_AFTER = timedelta(minutes=5)
# A spell of air lasts for days, and is looked for no oftener than it could begin.
AIR_AGAIN_AFTER = timedelta(hours=1)
BACKUP_AGAIN_AFTER = timedelta(hours=23, minutes=55)


@dataclass(frozen=True)
class Found:
    """What a tick found to do.

    Letters to send, sites without a forecast of today or with missed changes, scores, drafts, scenarios
    and years of a room held or ahead asked for, files of readings to be stored, and what people brought to
    begin with.
    """

    letters: list[int]
    sites: list[int]
    changed: list[int]
    calendars: list[int]
    uploads: list[int]
    arrivals: list[int]
    backtests: list[int]
    orders: list[int]
    scenarios: list[int]
    holdings: list[int]
    ahead: list[int]
    first: list[int]
    backup: bool = False


def tick(now: datetime) -> Found:
    """Note the heartbeat, make the letters that are due, release expired claims; return what else waits."""
    clock_set_back.mend(now)
    beat(TICK, now)
    for site in Site.objects.order_by("pk"):
        let_rooms_follow(site, now)
        keep_calendar(site, now)
        make_letters(site, now)
        watch_the_air(site, now)
    outbox.release_expired(now)
    uploads.forget_old(now)
    arrivals.forget_old(now)
    throttle.forget_old(now)
    passwords.forget_old(now)
    sign_ins.forget_old(now)
    door_letters.forget_old(now)
    putting_away.forget_old(now)
    return Found(
        letters=list(outbox.due(now).values_list("pk", flat=True)),
        sites=[
            site for site in sites_to_refresh(now) if take_turn(f"refresh {site}", now, REFRESH_AGAIN_AFTER)
        ],
        changed=[site for site in sites_with_missed_changes(now) if may_take_in(site, now)],
        uploads=uploads.due(now),
        arrivals=arrivals.due(now),
        backtests=[
            asked
            for asked in backtesting.forgotten(now)
            if take_turn(f"backtest {asked}", now, REFRESH_AGAIN_AFTER)
        ],
        orders=unclaimed(DraftOrder, now),
        scenarios=unclaimed(Scenario, now),
        holdings=unclaimed(HoldingStudy, now),
        ahead=unclaimed(SeasonsAhead, now),
        first=unclaimed(FirstForecast, now),
        calendars=booking_sources.due_sources(now),
        backup=bool(settings.BACKUP_DIR) and take_turn("backup", now, BACKUP_AGAIN_AFTER),
    )


def let_rooms_follow(site: Site, now: datetime) -> None:
    """Let instruments stand where moves told before have brought them; trouble with it holds up nothing."""
    try:
        instrument_changes.let_rooms_follow(site, site.local_date(now))
    except Exception:
        log.exception("the moves of site %s could not be followed", site.pk)


def keep_calendar(site: Site, now: datetime) -> None:
    """Bring a site's calendar entries in step with its plans; its trouble holds up nothing else."""
    try:
        calendar_entries.keep_in_step(site, now)
    except Exception:
        log.exception("the calendar of site %s could not be kept in step", site.pk)


def watch_the_air(site: Site, now: datetime) -> None:
    """Tell of air that is about to move instruments; trouble with it holds up nothing else."""
    if not take_turn(f"air {site.pk}", now, AIR_AGAIN_AFTER):
        return
    try:
        air_alerts.tell_of_spells(site, now)
    except Exception:
        log.exception("the air of site %s could not be watched", site.pk)


def make_letters(site: Site, now: datetime) -> None:
    """Put a site's letters into the outbox once they are due; trouble with some does not hold up others."""
    for kind in letters.COMPOSERS:
        try:
            letters.put_due_in_outbox(site, kind, now)
        except Exception:
            log.exception("the letters of kind %s of site %s could not be made", kind, site.pk)


def sites_to_refresh(now: datetime) -> list[int]:
    """Return the sites, outside their quiet hours, whose newest forecast is not of today."""
    whole = ForecastRun.objects.filter(site=OuterRef("pk"), part_of=None).order_by("-made_at", "-pk")
    sites = Site.objects.filter(pk__in=Instrument.objects.filter(retired_on=None).values("site"))
    return [
        site.pk
        for site in sites.annotate(newest=Subquery(whole.values("today")[:1])).order_by("pk")
        if not is_quiet(site, now) and site.newest != site.local_date(now)
    ]


def may_take_in(site: int, now: datetime) -> bool:
    """Return whether a site's changed facts may be taken in now; those of rooms alone pause between."""
    if changed_facts.only_rooms_wait(site) and not changed_facts.take_turn_of_rooms(site, now):
        return False
    return take_turn(f"changes {site}", now, CHANGE_AGAIN_AFTER)


def sites_with_missed_changes(now: datetime) -> list[int]:
    """Return the sites, outside their quiet hours, whose changed facts nobody has taken in for a while."""
    sites = Site.objects.filter(pk__in=changed_facts.sites_waiting(now - CHANGE_WAITS))
    return [site.pk for site in sites.order_by("pk") if not is_quiet(site, now)]


def is_quiet(site: Site, now: datetime) -> bool:
    """Return whether jobs that can wait stay off: the hours in which clocks change and backups run."""
    return QUIET_FROM <= now.astimezone(site.zone).time() < QUIET_TO
