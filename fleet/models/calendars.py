"""Where bookings come from, and what each reading of a calendar would change or has changed."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet.access import SiteQuerySet
from fleet.models.sites import Site


class BookingSource(models.Model):
    """A calendar of bookings: read again and again from an address, or brought as files under one name."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="booking_sources")
    name = models.CharField(max_length=120)
    address = models.CharField(max_length=2000, blank=True, help_text="empty: brought as files")
    etag = models.CharField(max_length=200, blank=True)
    last_modified = models.CharField(max_length=100, blank=True)
    next_fetch_at = models.DateTimeField(null=True)
    tried_at = models.DateTimeField(null=True)
    taken_at = models.DateTimeField(null=True, help_text="when it last agreed with the bookings here")
    failures = models.PositiveIntegerField(default=0, help_text="in a row")
    trouble = models.TextField(blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["name"]
        indexes = [models.Index(fields=["next_fetch_at"], name="booking_source_due")]
        constraints = [models.UniqueConstraint(fields=["site", "name"], name="booking_source_name_once")]

    def __str__(self) -> str:
        return self.name


class CalendarReading(models.Model):
    """One reading of a calendar: what it would change, or has changed, and what was wrong with it."""

    class State(models.TextChoices):
        """What became of it."""

        SHOWN = "shown", _("shown, not taken yet")
        TAKEN = "taken", _("taken")
        LEFT = "left", pgettext_lazy("laid aside", "left")

    source = models.ForeignKey(BookingSource, models.CASCADE, related_name="readings")
    at = models.DateTimeField()
    by = models.CharField(max_length=150, blank=True, help_text="empty: the worker")
    state = models.CharField(max_length=8, choices=State.choices)
    raw = models.BinaryField(blank=True, default=b"", help_text="the file, until it is taken or left")
    new = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    gone = models.PositiveIntegerField(default=0)
    same = models.PositiveIntegerField(default=0)
    details = models.JSONField(default=dict, help_text="the first of each, before and after")

    objects = SiteQuerySet.as_manager()
    site_path = "source__site"

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=("shown", "taken", "left")), name="calendar_reading_state_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.source} on {self.at:%Y-%m-%d %H:%M}"
