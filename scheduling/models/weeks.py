"""Weeks laid out as rows: who does what when, and what found no place."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from fleet.access import SiteQuerySet
from fleet.models import Person, Room, Site
from scheduling.models.plans import PlannedVisit, SeasonPlan
from scheduling.saying import SaidField, SaidJSONField


class WeekPlan(models.Model):
    """A season plan's week laid out to the hour; laid out again it is another row, and the old one stays."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="week_plans")
    week = models.DateField(help_text="Monday of the week")
    number = models.PositiveSmallIntegerField(help_text="counts the layouts of a week from 1")
    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="week_plans")
    plan_version = models.PositiveIntegerField(default=0, help_text="version of the season plan it follows")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="week_plans"
    )
    input_hash = models.CharField(max_length=64)
    outcome = models.CharField(max_length=16)
    cost = models.BigIntegerField(help_text="points")
    bound = models.BigIntegerField(help_text="points that no layout can go below")
    gap = models.FloatField()
    seconds = models.FloatField()
    minutes_offered = models.JSONField(default=list, help_text="rows of [person or null, minutes]")
    occupied = models.JSONField(
        default=dict, help_text="rooms, instruments, and a hash of what took them and the people then"
    )
    notes = SaidJSONField(default=list, help_text="sentences on what was not planned as might be expected")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-week", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "week", "number"], name="week_plan_once_a_number"),
            models.CheckConstraint(condition=Q(week__iso_week_day=1), name="week_plan_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.site}: week of {self.week}, layout {self.number}"


class Appointment(models.Model):
    """A stretch of work on one visit, at a time and by a person."""

    week_plan = models.ForeignKey(WeekPlan, models.CASCADE, related_name="appointments")
    visit = models.ForeignKey(PlannedVisit, models.CASCADE, related_name="appointments")
    part = models.PositiveSmallIntegerField(help_text="counts the stretches of a visit from 1")
    technician = models.ForeignKey(Person, models.SET_NULL, null=True, related_name="appointments")
    room = models.ForeignKey(Room, models.CASCADE, related_name="appointments")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()

    objects = SiteQuerySet.as_manager()
    site_path = "week_plan__site"

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["week_plan", "visit", "part"], name="appointment_once_a_part"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="appointment_in_order"),
        ]

    def __str__(self) -> str:
        return f"{self.visit} at {self.starts_at}"


class Unplaced(models.Model):
    """Work of a visit for which the week has no place, and the rules that keep it out."""

    week_plan = models.ForeignKey(WeekPlan, models.CASCADE, related_name="unplaced")
    visit = models.ForeignKey(PlannedVisit, models.CASCADE, related_name="unplaced")
    part = models.PositiveSmallIntegerField(default=1, help_text="tells several services of a visit apart")
    hours = models.FloatField()
    rules = models.JSONField(default=list, help_text="names of the rules")
    reason = SaidField()
    moves_to = models.DateField(
        null=True, help_text="Monday of the next week of the plan with hours left for it"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "week_plan__site"

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["week_plan", "visit", "part"], name="unplaced_once_a_part"),
        ]

    def __str__(self) -> str:
        return f"{self.visit}, not placed"
