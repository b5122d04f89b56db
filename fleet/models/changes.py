"""Which facts changed and wait to be taken into account; a row lives until a forecast has done so."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from fleet.models.air import Room
from fleet.models.instruments import Instrument
from fleet.models.sites import Site


class FactChange(models.Model):
    """That facts of an instrument, of a room, or of a whole site where neither is named, have changed."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="fact_changes")
    instrument = models.ForeignKey(Instrument, models.CASCADE, null=True, related_name="fact_changes")
    room = models.ForeignKey(Room, models.CASCADE, null=True, related_name="fact_changes")
    at = models.DateTimeField(db_index=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(instrument__isnull=True) | Q(room__isnull=True), name="fact_change_of_one_thing"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument or self.room or self.site} changed at {self.at}"
