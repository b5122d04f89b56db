"""What people keep for themselves, and what they changed of the instruments themselves."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from fleet.models.instruments import Instrument, Placement
from fleet.models.sites import Site


class SavedFilter(models.Model):
    """What one person asks of a list of a site again and again, under a name of their own."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="saved_filters")
    site = models.ForeignKey(Site, models.CASCADE, related_name="saved_filters")
    page = models.CharField(max_length=40, help_text="name of the list's address")
    name = models.CharField(max_length=60)
    query = models.CharField(max_length=1000, blank=True, help_text="as it stands in the address")
    default = models.BooleanField(default=False, help_text="asked where the list is opened without a filter")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["user", "site", "page", "name"], name="saved_filter_name_once"),
            models.UniqueConstraint(
                fields=["user", "site", "page"], condition=Q(default=True), name="saved_filter_one_default"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class InstrumentChange(models.Model):
    """What somebody changed of an instrument; rows are added and never altered but for ``pending``."""

    class What(models.TextChoices):
        """Which of its facts."""

        USE_CLASS = "use_class", "use"
        ROOM = "room", "room"
        PLAYING = "playing", "hours played a week"
        RETIRED = "retired", "retired"
        RETURNED = "returned", "brought back"

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="changes")
    what = models.CharField(max_length=12, choices=What.choices)
    at = models.DateTimeField()
    by = models.CharField(max_length=150, help_text="the name of whoever did it, as it was then")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    before = models.CharField(max_length=160, blank=True)
    after = models.CharField(max_length=160, blank=True)
    day = models.DateField(null=True, help_text="from when it holds, where that was said")
    placement = models.ForeignKey(Placement, models.SET_NULL, null=True, related_name="+")
    pending = models.BooleanField(default=False, help_text="a move whose day is still to come")

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [
            models.Index(fields=["day"], condition=Q(pending=True), name="instrument_change_to_come"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(what__in=("use_class", "room", "playing", "retired", "returned")),
                name="instrument_change_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_what_display()} of {self.instrument}: {self.after}"
