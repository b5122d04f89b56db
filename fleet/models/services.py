"""Kinds of service with their tolerances as data, and the services that were done."""

from __future__ import annotations

from typing import Self

from django.db import models
from django.db.models import Exists, F, OuterRef, Q
from django.db.models.functions import Abs

from fleet.access import SiteQuerySet
from fleet.defaults import ACTION_OUT_HOURS
from fleet.models.instruments import Instrument, UseClass
from fleet.models.sites import Site


class ServiceKind(models.Model):
    """A kind of service a site offers: tuning, bedding, regulation, voicing, and any it adds."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="service_kinds")
    kind = models.SlugField(max_length=40)
    unit = models.CharField(max_length=16, help_text="unit of the found and left values")
    instrument_kinds = models.JSONField(
        default=list, blank=True, help_text="kinds of instrument it is done on; none listed means all"
    )
    position = models.PositiveSmallIntegerField(default=100, help_text="order in lists")
    shorter_beside = models.JSONField(
        default=list,
        blank=True,
        help_text="kinds of service for which the action is out anyway: beside one of them in the same week, "
        "by the same person, this one is shorter",
    )
    shorter_by_hours = models.FloatField(
        default=ACTION_OUT_HOURS, help_text="hours it is shorter then; common practice, no source"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["position", "kind"]
        constraints = [
            models.UniqueConstraint(fields=["site", "kind"], name="service_kind_once"),
            models.CheckConstraint(condition=Q(shorter_by_hours__gt=0), name="service_kind_shorter"),
        ]

    def __str__(self) -> str:
        return self.kind


class ServiceRule(models.Model):
    """Tolerance, weight, hours and calendar interval of a kind of service at a use class."""

    service_kind = models.ForeignKey(ServiceKind, models.CASCADE, related_name="rules")
    use_class = models.CharField(max_length=16, choices=UseClass.choices)
    tolerance = models.FloatField(help_text="in the unit of the kind, judged on the size, both ways")
    weight = models.FloatField(help_text="weight of a day out of tolerance")
    hours = models.FloatField(help_text="usual hours of one service")
    interval_days = models.PositiveIntegerField(help_text="interval of the calendar rule")
    spacing_weeks = models.PositiveSmallIntegerField(
        default=1, help_text="least weeks from one planned visit to the next"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "service_kind__site"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["service_kind", "use_class"], name="service_rule_once"),
            models.CheckConstraint(condition=Q(use_class__in=UseClass.values), name="service_rule_use_known"),
            models.CheckConstraint(
                condition=Q(tolerance__gt=0, weight__gte=0, hours__gt=0, interval_days__gt=0),
                name="service_rule_positive",
            ),
            models.CheckConstraint(condition=Q(spacing_weeks__gt=0), name="service_rule_spaced"),
        ]

    def __str__(self) -> str:
        return f"{self.service_kind} at {self.use_class}"


class ServiceQuerySet(SiteQuerySet["Service"]):
    """Services; not each of them answers a visit that was planned."""

    def with_answers(self) -> Self:
        """Say of each, as ``answers``, whether a visit is answered by it.

        Work done answers it, and so does a look that found the instrument in tolerance; one that found it out
        leaves the work to be done.
        """
        bearing = ServiceRule.objects.filter(
            service_kind__site=OuterRef("instrument__site"),
            service_kind__kind=OuterRef("kind"),
            use_class=OuterRef("instrument__use_class"),
            tolerance__gte=Abs(OuterRef("found")),
        )
        return self.annotate(answers=Q(only_measured=False) | Q(Exists(bearing)))

    def answering(self) -> Self:
        """Return those that answer a visit."""
        return self.with_answers().filter(answers=True)


class Service(models.Model):
    """A service that was done: a fact. A planned one is another thing and lives elsewhere."""

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="services")
    kind = models.CharField(max_length=40)
    date = models.DateField()
    order = models.PositiveSmallIntegerField(default=0, help_text="tells several on one day apart")
    minutes = models.PositiveIntegerField(null=True, blank=True)
    technician = models.CharField(max_length=120, blank=True, help_text="the name as it was written")
    found = models.FloatField(null=True, blank=True)
    left = models.FloatField(null=True, blank=True)
    found_bass = models.FloatField(null=True, blank=True)
    found_tenor = models.FloatField(null=True, blank=True)
    found_middle = models.FloatField(null=True, blank=True)
    found_treble = models.FloatField(null=True, blank=True)
    only_measured = models.BooleanField(
        default=False, help_text="nothing was done: it was left as found, and `left` stays empty"
    )
    note = models.TextField(blank=True)
    hardener_at = models.DateTimeField(null=True, blank=True, help_text="when a hardener was applied")
    dry_at = models.DateTimeField(
        null=True, blank=True, help_text="when it is dry; nothing is judged or played in public before"
    )
    recorded_at = models.DateTimeField(auto_now_add=True)

    answers: bool  # whether it answers a visit, of those read `with_answers`

    objects = ServiceQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["-date", "-order"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "kind", "date", "order"], name="service_once"),
            models.CheckConstraint(
                condition=Q(minutes__isnull=True) | Q(minutes__lte=6000), name="service_minutes_possible"
            ),
            models.CheckConstraint(
                condition=Q(hardener_at__isnull=True)
                | Q(dry_at__isnull=True)
                | Q(dry_at__gte=F("hardener_at")),
                name="service_hardener_dries_after",
            ),
            models.CheckConstraint(
                condition=Q(only_measured=False)
                | Q(found__isnull=False, left__isnull=True, hardener_at__isnull=True),
                name="service_only_measured_says_what",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} on {self.date}"


class WorksheetLine(models.Model):
    """One measured point of a worksheet, before and after."""

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="worksheet_lines")
    kind = models.CharField(max_length=40)
    date = models.DateField()
    order = models.PositiveSmallIntegerField(default=0, help_text="the order of its service on the day")
    pass_number = models.PositiveSmallIntegerField(
        default=1, help_text="glides act on each other and take several passes"
    )
    point = models.CharField(max_length=60, help_text="glide, key or rail")
    condition = models.CharField(max_length=60, blank=True, help_text="at rest, shifted, under pedal load")
    quantity = models.CharField(max_length=60)
    before = models.FloatField(null=True, blank=True)
    after = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=16, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["date", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=[
                    "instrument",
                    "kind",
                    "date",
                    "order",
                    "pass_number",
                    "point",
                    "condition",
                    "quantity",
                ],
                name="worksheet_point_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} at {self.point} of {self.instrument} on {self.date}"
