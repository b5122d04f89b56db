"""Scenarios of a season, saved with what they came to."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from scheduling.models.asked import AskedWork
from scheduling.saying import SaidJSONField


class Scenario(AskedWork):
    """A season computed with something changed, or as it is where no change is listed."""

    name = models.CharField(max_length=120)
    start = models.DateField(help_text="Monday of the first week")
    weeks = models.PositiveSmallIntegerField()
    hours_per_week = models.FloatField(null=True, blank=True)
    changes = models.JSONField(default=list, blank=True)
    words = SaidJSONField(default=list, blank=True, help_text="the changes as sentences")

    today = models.DateField(null=True, help_text="the day whose facts it was computed from")
    outcome = models.CharField(max_length=16, blank=True)
    cost = models.FloatField(null=True, help_text="expected weighted instrument-days out of tolerance")
    bound = models.FloatField(null=True)
    days_out = models.FloatField(null=True, help_text="the same days without weights")
    days_out_by_kind = models.JSONField(default=dict)
    visits = models.PositiveIntegerField(null=True)
    hours_offered = models.JSONField(default=list)
    hours_used = models.JSONField(default=list)
    hour_worth = models.JSONField(default=list)
    money = models.DecimalField(max_digits=12, decimal_places=2, null=True)
    hours_without_price = models.FloatField(default=0)
    put_off = models.JSONField(default=list, help_text="rows of tag, kind, days out, weighted days")
    notes = SaidJSONField(default=list)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="scenario_name_once"),
            models.CheckConstraint(condition=Q(start__iso_week_day=1), name="scenario_on_monday"),
            models.CheckConstraint(
                condition=~Q(state="done") | Q(cost__isnull=False, today__isnull=False),
                name="scenario_done_has_result",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name}, {self.weeks} weeks from {self.start}"
