"""Rooms, the sensors in them, and the air they measured."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models.sites import Site

COLDEST_C, HOTTEST_C = -40, 60


class Room(models.Model):
    """A room in which instruments stand."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="rooms")
    name = models.CharField(max_length=120)
    building = models.CharField(max_length=120, blank=True)
    use = models.CharField(max_length=120, blank=True)
    borrows_from = models.ForeignKey(
        "self",
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="lenders",
        help_text="the room whose air stands in for this one while it has no sensor",
    )
    outdoors = models.BooleanField(
        default=False, help_text="a place in the open; its air stands in for a room only once it is heated"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["building", "name"]
        constraints = [models.UniqueConstraint(fields=["site", "name"], name="room_name_once")]

    def __str__(self) -> str:
        return self.name


class Sensor(models.Model):
    """That a sensor stood in a room for some days, with the slope and offset that its check showed."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="sensors")
    name = models.CharField(max_length=120)
    room = models.ForeignKey(Room, models.CASCADE, related_name="sensors")
    first_day = models.DateField()
    last_day = models.DateField(null=True, blank=True)
    humidity_offset = models.FloatField(
        default=0, help_text="fraction of relative humidity to add to what it reads"
    )
    humidity_slope = models.FloatField(
        default=1, help_text="what its reading is multiplied by before the offset is added"
    )
    checked_on = models.DateField(null=True, blank=True, help_text="when it stood over salt solutions")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["name", "first_day"]
        constraints = [
            models.UniqueConstraint(fields=["site", "name", "first_day"], name="sensor_once_a_day"),
            models.CheckConstraint(
                condition=Q(last_day__isnull=True) | Q(last_day__gte=F("first_day")),
                name="sensor_days_in_order",
            ),
            models.CheckConstraint(
                condition=Q(humidity_offset__gt=-0.5, humidity_offset__lt=0.5), name="sensor_offset_possible"
            ),
            models.CheckConstraint(
                condition=Q(humidity_slope__gt=0.5, humidity_slope__lt=2), name="sensor_slope_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} in {self.room}"


class Doubt(models.TextChoices):
    """Why a reading is kept but not used."""

    NONE = "", "trusted"
    STUCK = "stuck", _("stuck: unchanged for too long")
    JUMP = "jump", _("jump: further than a room can go")


class ClimateReading(models.Model):
    """One reading of the air in a room; appended and corrected by import, never thinned."""

    room = models.ForeignKey(Room, models.CASCADE, related_name="readings", db_index=False)
    time = models.DateTimeField()
    temp_c = models.FloatField()
    rh = models.FloatField(help_text="relative humidity as a fraction")
    source = models.CharField(max_length=40, blank=True)
    doubt = models.CharField(max_length=8, blank=True, choices=Doubt.choices)

    objects = SiteQuerySet.as_manager()
    site_path = "room__site"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["room", "time"], name="reading_once_an_instant"),
            models.CheckConstraint(condition=Q(rh__gte=0, rh__lte=1), name="reading_rh_is_fraction"),
            models.CheckConstraint(
                condition=Q(temp_c__gte=COLDEST_C, temp_c__lte=HOTTEST_C), name="reading_temp_possible"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.room} {self.time:%Y-%m-%d %H:%M}: {self.temp_c:.1f} °C {self.rh:.0%}"


class ClimateDay(models.Model):
    """A day of a room's air, derived from its trusted readings and rebuilt when they change."""

    room = models.ForeignKey(Room, models.CASCADE, related_name="climate_days", db_index=False)
    date = models.DateField()
    readings = models.PositiveIntegerField(help_text="all readings of the day, doubtful ones included")
    doubtful = models.PositiveIntegerField(default=0)
    hours_covered = models.PositiveSmallIntegerField(help_text="hours of the day with a trusted reading")
    temp_c_mean = models.FloatField(null=True)
    temp_c_min = models.FloatField(null=True)
    temp_c_max = models.FloatField(null=True)
    rh_mean = models.FloatField(null=True, help_text="mean of the hourly means, a fraction")
    rh_min = models.FloatField(null=True)
    rh_max = models.FloatField(null=True)

    objects = SiteQuerySet.as_manager()
    site_path = "room__site"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["room", "date"], name="climate_day_once"),
            models.CheckConstraint(
                condition=Q(doubtful__lte=F("readings"), hours_covered__lte=25), name="climate_day_counts"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.room} on {self.date}"
