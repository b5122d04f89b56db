"""Storing how a site is set up; whatever forecasts and plans are made from tells them so."""

from __future__ import annotations

from typing import Any

from django.db import models, transaction

from fleet import intake
from fleet.models import Room, Site
from fleet.signals import tell_facts_changed


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
def remove(site: Site, row: Any) -> None:
    """Remove one row of how the site is set up."""
    row.delete()
    tell_facts_changed(site.pk)
