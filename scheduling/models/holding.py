"""What holding a room's humidity would be worth in a year, as somebody asked and the worker found."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from fleet.access import SiteQuerySet
from fleet.models import Room
from scheduling.models.asked import AskedWork


class HoldingStudy(AskedWork):
    """A room, a band and a day; once done, a year from that day with the holding and without."""

    room = models.ForeignKey(Room, models.CASCADE, related_name="holding_studies")
    low_rh = models.FloatField(help_text="not below, fraction")
    high_rh = models.FloatField(help_text="not above, fraction")
    first_day = models.DateField()

    today = models.DateField(null=True, help_text="the day whose facts it was computed from")
    hour_cost = models.DecimalField(
        max_digits=8, decimal_places=2, null=True, help_text="the site's cost of an hour when it was computed"
    )
    paths = models.PositiveIntegerField(default=0, help_text="futures it was computed from")
    sums = models.JSONField(default=dict, help_text="rule, then measure: free, held and saved with its range")
    lines = models.JSONField(default=list, help_text="the same for each instrument and service")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(low_rh__gte=0, high_rh__lte=1, low_rh__lt=F("high_rh")), name="holding_band_rises"
            ),
            models.CheckConstraint(
                condition=~Q(state="done") | Q(today__isnull=False), name="holding_done_has_result"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.room} at {100 * self.low_rh:g} to {100 * self.high_rh:g} % from {self.first_day}"
