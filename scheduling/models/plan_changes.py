"""What people do to a season plan: drafts they ask for, changes by hand, and the costs of every visit."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models import Instrument
from scheduling.models.asked import AskedWork
from scheduling.models.plans import SeasonPlan
from scheduling.saying import SaidField, SaidJSONField


class DraftOrder(AskedWork):
    """A draft of a season plan that somebody asked for."""

    start = models.DateField(help_text="Monday of the first week")
    weeks = models.PositiveSmallIntegerField()
    hours_per_week = models.FloatField(null=True, blank=True)
    plan = models.ForeignKey(SeasonPlan, models.SET_NULL, null=True, related_name="orders")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(start__iso_week_day=1), name="draft_order_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.weeks} weeks from {self.start}, {self.get_state_display()}"


class LineCosts(models.Model):
    """What every visit of one service of one instrument costs and waits for, as the plan knew it."""

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="line_costs")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="+")
    kind = models.CharField(max_length=40)
    hours = models.FloatField()
    cost = models.BinaryField(help_text="float64, the part above the diagonal, row by row")
    barred = SaidJSONField(default=dict, help_text="by number of the week: why it is closed")
    rules = SaidJSONField(default=list, help_text="what a visit waits for")
    spacing_weeks = models.PositiveSmallIntegerField(default=1)
    shares = models.JSONField(default=dict, help_text="hours it is shorter beside other services")
    people = models.JSONField(default=list, help_text="who can do it; null is somebody without a name")

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["plan", "instrument", "kind"], name="line_costs_once"),
        ]

    def __str__(self) -> str:
        return f"costs of {self.kind} of {self.instrument}"


class PlanChange(models.Model):
    """One thing a person did to a plan; rows are added and never changed."""

    class What(models.TextChoices):
        """What was done."""

        DRAFTED = "drafted", _("asked for this draft")
        HELD = "held", _("held")
        RELEASED = "released", _("released")
        MOVED = "moved", _("moved")
        ASKED = "asked", _("asked for")
        APPROVED = "approved", _("approved this plan")
        REPLACED = "replaced", _("approved another plan instead")

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="changes")
    version = models.PositiveIntegerField(help_text="the plan's version after it")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    name = models.CharField(max_length=150, help_text="who it was, kept when they leave")
    what = models.CharField(max_length=16, choices=What.choices)
    instrument = models.ForeignKey(Instrument, models.SET_NULL, null=True, related_name="+")
    kind = models.CharField(max_length=40, blank=True)
    from_week = models.DateField(null=True)
    to_week = models.DateField(null=True)
    cost_change = models.FloatField(null=True, help_text="weighted days more, or fewer below zero")
    note = SaidField(blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "version"], name="plan_change_once_a_version"),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.get_what_display()} {self.kind}".strip()
