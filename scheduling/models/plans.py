"""Season plans as rows: their visits, and what they put off."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models import Instrument, Person, Site
from scheduling.models.forecasts import ForecastRun
from scheduling.saying import SaidField, SaidJSONField


class SeasonPlan(models.Model):
    """A plan of a season's weeks, drafted by the planner and approved by a person."""

    class State(models.TextChoices):
        """Whether people work by it."""

        DRAFT = "draft", _("draft")
        APPROVED = "approved", _("approved")
        REPLACED = "replaced", _("replaced")

    site = models.ForeignKey(Site, models.CASCADE, related_name="season_plans")
    start = models.DateField(help_text="Monday of the first week")
    weeks = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=16, choices=State.choices, default=State.DRAFT)
    made_at = models.DateTimeField()
    approved_at = models.DateTimeField(null=True, blank=True)
    run = models.ForeignKey(ForecastRun, models.SET_NULL, null=True, related_name="plans")
    rules = models.CharField(max_length=8, default="all")
    outcome = models.CharField(max_length=16)
    cost = models.FloatField(help_text="expected weighted instrument-days out of tolerance")
    bound = models.FloatField()
    gap = models.FloatField()
    seconds = models.FloatField()
    hours_offered = models.JSONField()
    hours_used = models.JSONField()
    hour_worth = models.JSONField()
    calendar_cost = models.FloatField(null=True, help_text="what the calendar rule gives at the same hours")
    notes = SaidJSONField(
        default=list, blank=True, help_text="sentences on what could not be planned as asked"
    )
    hours_by_person = models.JSONField(
        default=list, blank=True, help_text="rows of [person or null, hours offered week by week]"
    )
    before = models.ForeignKey(
        "self",
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="followers",
        help_text="the plan people worked by when this one was made",
    )
    moves = SaidJSONField(
        default=list, blank=True, help_text="what stands elsewhere than in the plan before, and why"
    )
    version = models.PositiveIntegerField(default=0, help_text="rises with every change by a person")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(condition=Q(start__iso_week_day=1), name="season_plan_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.weeks} weeks from {self.start} ({self.state})"


class PlannedVisit(models.Model):
    """A service that a plan foresees in a week; not a fact."""

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="visits")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="planned_visits")
    kind = models.CharField(max_length=40)
    week = models.DateField(help_text="Monday of the week")
    hours = models.FloatField(help_text="hours it takes, those it shares taken off")
    beside = models.CharField(
        max_length=40, blank=True, help_text="the service for which the action is out anyway"
    )
    shared_hours = models.FloatField(default=0, help_text="hours it is shorter for that")
    technician = models.ForeignKey(Person, models.SET_NULL, null=True, related_name="planned_visits")
    reason = SaidField()
    held = models.BooleanField(default=False)
    dated = models.BooleanField(default=False, help_text="belongs to a performance, whose day it keeps")

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        ordering = ["week", "instrument__room__name", "instrument__tag", "kind"]
        indexes = [models.Index(fields=["plan", "week"], name="visit_by_week")]
        constraints = [
            models.UniqueConstraint(fields=["plan", "instrument", "kind", "week"], name="visit_once_a_week"),
            models.CheckConstraint(condition=Q(hours__gt=0), name="visit_hours_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} in the week of {self.week}"


class PutOff(models.Model):
    """A service that a plan does not foresee, and what that costs."""

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="put_off")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="put_off")
    kind = models.CharField(max_length=40)
    reason = SaidField()
    expected_days_out = models.FloatField()
    cost = models.FloatField(help_text="expected weighted days out of tolerance")

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        ordering = ["-cost"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "instrument", "kind"], name="put_off_once"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} put off"
