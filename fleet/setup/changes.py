"""Storing how a site is set up; whatever forecasts and plans are made from tells them so."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from fleet import days_off, defaults, intake
from fleet.models import DayOff, Room, ServiceKind, ServiceRule, Site
from fleet.putting_away import put_away
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed

FIGURES = ("tolerance", "weight", "hours", "interval_days", "spacing_weeks")
BESIDE = ("shorter_beside", "shorter_by_hours")


@transaction.atomic
def store_site(site: Site) -> None:
    """Store a site's own facts; in another time zone days begin at other instants, and are counted anew."""
    before = Site.objects.select_for_update().get(pk=site.pk)
    site.save()
    if before.time_zone != site.time_zone:
        for room in Room.objects.of_site(site).select_related("site"):
            intake.rebuild_days(room)
    tell_facts_changed(site.pk)


@transaction.atomic
def store(site: Site, row: models.Model) -> None:
    """Store one row of how the site is set up."""
    row.save()
    tell_facts_changed(site.pk)


@transaction.atomic
def remove(row: Any) -> None:
    """Put one row of how the site is set up away."""
    put_away([row], timezone.now())


@transaction.atomic
def store_rules(kind: ServiceKind, rules: Iterable[ServiceRule]) -> None:
    """Store a kind of service: its figures in every use class, and beside which services it is shorter."""
    kind.save(update_fields=BESIDE)
    ServiceRule.objects.bulk_update(rules, FIGURES)
    tell_facts_changed(kind.site_id)


@transaction.atomic
def add_kind(kind: ServiceKind, figures: Mapping[str, Any]) -> None:
    """Store a kind of service that the site adds, with the same figures in every use class to begin with."""
    kind.save()
    ServiceRule.objects.bulk_create(
        ServiceRule(service_kind=kind, use_class=use_class, **figures) for use_class in defaults.USE_CLASSES
    )
    tell_facts_changed(kind.site_id)


def default_figures(kind: str) -> dict[str, dict[str, float]]:
    """Return the figures with which a site starts, by use class; none for a kind that it added."""
    return {
        use_class: {
            "tolerance": float(default.tolerances[place]),
            "weight": default.weight * defaults.USE_WEIGHT[use_class],
            "hours": default.hours,
            "interval_days": default.intervals_days[place],
            "spacing_weeks": 1,
        }
        for default in defaults.SERVICE_KINDS
        if default.kind == kind
        for place, use_class in enumerate(defaults.USE_CLASSES)
    }


def reset_rules(kind: ServiceKind) -> None:
    """Give a kind of service the figures back with which a site starts.

    Raises
    ------
    Refused
        Where the site added the kind.
    """
    start = default_figures(kind.kind)
    if not start:
        raise Refused("a kind that the site added has no figures to go back to", value=kind.kind)
    rules = list(kind.rules.all())
    for rule in rules:
        for name, figure in start[rule.use_class].items():
            setattr(rule, name, figure)
    store_rules(kind, rules)


@transaction.atomic
def store_calendar(site: Site, country: str, subdivision: str) -> None:
    """Choose whose public holidays nobody works on.

    Raises
    ------
    Refused
        Where the holidays of that place are not known.
    """
    days_off.check_calendar(country, subdivision)
    Site.objects.filter(pk=site.pk).update(holiday_country=country, holiday_subdivision=subdivision)
    tell_facts_changed(site.pk)


@transaction.atomic
def set_day(site: Site, day: date, free: bool, name: str = "") -> None:
    """Let a day be off, or worked, whatever the calendar says; where that says the same, nothing is kept."""
    rows = DayOff.objects.of_site(site).filter(day=day)
    rows.delete()
    by_calendar = any(one.by_calendar for one in days_off.days(site, day, day))
    if free != by_calendar or name:
        DayOff.objects.create(site=site, day=day, free=free, name=name)
    tell_facts_changed(site.pk)
