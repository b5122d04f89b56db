"""Planned work as calendar entries that keep their identity, and the secret addresses they are read at."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from fleet.access import SiteQuerySet
from fleet.models import Instrument, Person, Site


class CalendarEntry(models.Model):
    """One stretch of planned work as calendars know it: moved or called off, it stays the same entry.

    A visit without a time fills its week; one that was laid out over several sittings has an entry for each.
    """

    class Status(models.TextChoices):
        """How firm it is, in the words of RFC 5545."""

        TENTATIVE = "TENTATIVE", "from a draft"
        CONFIRMED = "CONFIRMED", "from an approved plan"
        CANCELLED = "CANCELLED", "called off"

    site = models.ForeignKey(Site, models.CASCADE, related_name="calendar_entries")
    person = models.ForeignKey(Person, models.CASCADE, null=True, related_name="calendar_entries")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="calendar_entries")
    kind = models.CharField(max_length=40)
    part = models.PositiveSmallIntegerField(default=0, help_text="number of the sitting")
    week = models.DateField(help_text="Monday of the week")
    starts_at = models.DateTimeField(null=True)
    ends_at = models.DateTimeField(null=True)
    summary = models.CharField(max_length=255)
    location = models.CharField(max_length=255)
    description = models.TextField(blank=True)
    status = models.CharField(max_length=9, choices=Status.choices)
    uid = models.CharField(max_length=255, unique=True)
    sequence = models.PositiveIntegerField(default=0)
    changed_at = models.DateTimeField()

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["week", "pk"]
        indexes = [models.Index(fields=["site", "week"], name="calendar_entry_by_week")]
        constraints = [
            models.CheckConstraint(
                condition=Q(starts_at__isnull=True, ends_at__isnull=True) | Q(ends_at__gt=F("starts_at")),
                name="calendar_entry_times_in_order",
            ),
            models.CheckConstraint(condition=Q(week__iso_week_day=1), name="calendar_entry_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.summary}, {self.week}"


class Feed(models.Model):
    """A secret address at which a calendar program reads planned work: a person's, or the whole site's."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="feeds")
    person = models.ForeignKey(Person, models.CASCADE, null=True, related_name="feeds")
    secret_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="feeds_made")
    revoked_at = models.DateTimeField(null=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return f"work of {self.person or self.site}"
