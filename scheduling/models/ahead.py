"""What looks further than a plan: the need of several seasons, and the first forecast of a new site."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from scheduling.models.asked import AskedWork


class SeasonsAhead(AskedWork):
    """How many services and hours the next years need to keep every instrument in tolerance, with a range."""

    years = models.PositiveSmallIntegerField()
    today = models.DateField(null=True, help_text="the day whose facts it was computed from")
    stretches = models.JSONField(
        default=list, help_text="first and last day, hours offered, and low and high end of the hours needed"
    )
    needs = models.JSONField(
        default=list, help_text="rows of place of the stretch, service, mean services, mean hours"
    )
    years_range = models.JSONField(default=list, help_text="low and high end of the hours of each year")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(years__gte=1, years__lte=3), name="seasons_ahead_years"),
            models.CheckConstraint(
                condition=~Q(state="done") | Q(today__isnull=False), name="seasons_ahead_done_has_day"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.years} years of {self.site}"


class FirstForecast(AskedWork):
    """The forecast that a new site is started with, and what more facts would improve."""

    instruments = models.PositiveIntegerField(default=0)
    gains = models.JSONField(
        default=dict,
        help_text="by what is missing: instrument, service, days of the due window now and with it",
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]

    def __str__(self) -> str:
        return f"first forecast of {self.site}"
