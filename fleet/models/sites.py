"""A site, who may see it, who works there, and the times that change its weights."""

from __future__ import annotations

import zoneinfo
from datetime import date, datetime, time

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet


def check_time_zone(value: str) -> None:
    """Refuse a name that the time zone database does not know."""
    try:
        zoneinfo.ZoneInfo(value)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise ValidationError(
            f"{value!r} is not a time zone, expected a name such as Europe/Vienna"
        ) from None


def check_weekdays(value: object) -> None:
    """Refuse anything but a list of different weekdays, 0 for Monday to 6 for Sunday."""
    if not isinstance(value, list) or len(set(value)) != len(value) or not set(value) <= set(range(7)):
        raise ValidationError("expected a list of weekdays, 0 for Monday to 6 for Sunday, each once")


def monday_to_friday() -> list[int]:
    """Return the working days of a person unless said otherwise."""
    return [0, 1, 2, 3, 4]


class Role(models.TextChoices):
    """What a person does at a site."""

    TECHNICIAN = "technician", _("technician")
    ADMINISTRATOR = "administrator", _("administrator")
    READER = "reader", _("reader")


class Site(models.Model):
    """A school, hall or group of buildings whose instruments are kept together."""

    name = models.CharField(max_length=120, unique=True)
    time_zone = models.CharField(max_length=64, validators=[check_time_zone])
    currency = models.CharField(max_length=3, default="EUR")
    hour_cost = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    reserve_hours = models.FloatField(
        default=0, help_text="hours a week kept free for broken strings and sticking keys"
    )
    mail_sender = models.EmailField(blank=True)
    holiday_country = models.CharField(
        max_length=2, blank=True, help_text="ISO 3166-1, whose public holidays nobody works on; empty: none"
    )
    holiday_subdivision = models.CharField(max_length=20, blank=True, help_text="ISO 3166-2, without country")

    objects = SiteQuerySet.as_manager()
    site_path = "pk"

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(reserve_hours__gte=0), name="site_reserve_not_negative"),
            models.CheckConstraint(
                condition=Q(hour_cost__isnull=True) | Q(hour_cost__gte=0), name="site_hour_cost_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The site's time zone."""
        return zoneinfo.ZoneInfo(self.time_zone)

    def local_date(self, instant: datetime) -> date:
        """Return the date on the wall of the site at an aware instant."""
        return instant.astimezone(self.zone).date()


class DayOff(models.Model):
    """A day that differs from the calendar of public holidays: free beside them, or worked in spite."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="days_off")
    day = models.DateField()
    name = models.CharField(max_length=120, blank=True)
    free = models.BooleanField(default=True, help_text="no: it is worked, although it is a public holiday")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["day"]
        verbose_name_plural = "days off"
        constraints = [models.UniqueConstraint(fields=["site", "day"], name="day_off_once")]

    def __str__(self) -> str:
        return f"{self.day}: {self.name or ('free' if self.free else 'worked')}"


class Membership(models.Model):
    """That a user may see a site, and as what."""

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="memberships")
    site = models.ForeignKey(Site, models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=16, choices=Role.choices)
    language = models.CharField(
        max_length=12, choices=settings.LANGUAGES, blank=True, help_text="of the pages; empty: the browser's"
    )
    chosen_at = models.DateTimeField(
        null=True,
        blank=True,
        help_text="when the user last turned to this site; where the next session begins",
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "site"], name="membership_once"),
            models.CheckConstraint(condition=Q(role__in=Role.values), name="membership_role_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} at {self.site} ({self.role})"


class Term(models.Model):
    """A stretch of days with other weights: an empty room in the vacation is not worth a tuning."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="terms")
    name = models.CharField(max_length=80)
    first_day = models.DateField()
    last_day = models.DateField()
    weight_factor = models.FloatField(default=1)
    playing_factor = models.FloatField(default=1)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["first_day"]
        constraints = [
            models.UniqueConstraint(fields=["site", "name", "first_day"], name="term_once"),
            models.CheckConstraint(condition=Q(last_day__gte=F("first_day")), name="term_days_in_order"),
            models.CheckConstraint(
                condition=Q(weight_factor__gte=0, playing_factor__gte=0), name="term_factors_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.first_day} to {self.last_day})"


class Person(models.Model):
    """Somebody of a site: who does the work, pays for it or gets letters."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="people")
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="people"
    )
    name = models.CharField(max_length=120)
    email = models.EmailField()
    role = models.CharField(max_length=16, choices=Role.choices)
    hours_per_week = models.FloatField(null=True, blank=True)
    working_days = models.JSONField(default=monday_to_friday, validators=[check_weekdays])
    skills = models.JSONField(
        default=list, blank=True, help_text="kinds of service this person does; none listed means all"
    )
    hour_cost = models.DecimalField(max_digits=8, decimal_places=2, null=True, blank=True)
    by_contract = models.BooleanField(default=False)
    day_from = models.TimeField(default=time(8), help_text="when a working day begins, on the site's wall")
    day_until = models.TimeField(default=time(17), help_text="when a working day ends")
    lunch_from = models.TimeField(default=time(12))
    lunch_minutes = models.PositiveSmallIntegerField(default=60, help_text="0 where there is no pause")
    language = models.CharField(
        max_length=12, choices=settings.LANGUAGES, blank=True, help_text="of the letters; empty: English"
    )
    left_at = models.DateTimeField(
        null=True, blank=True, help_text="when the membership ended; links of letters open nothing since"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "people"
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="person_name_once"),
            models.CheckConstraint(condition=Q(role__in=Role.values), name="person_role_known"),
            models.CheckConstraint(
                condition=Q(hours_per_week__isnull=True) | Q(hours_per_week__gte=0, hours_per_week__lte=168),
                name="person_hours_possible",
            ),
            models.CheckConstraint(
                condition=Q(hour_cost__isnull=True) | Q(hour_cost__gte=0),
                name="person_hour_cost_not_negative",
            ),
            models.CheckConstraint(
                condition=Q(day_until__gt=F("day_from"), lunch_minutes__lte=240), name="person_day_in_order"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def can_do(self, kind: str) -> bool:
        """Return whether the person does this kind of service."""
        return not self.skills or kind in self.skills

    def is_let_in_by_letter(self, *roles: str) -> bool:
        """Return whether links of letters open anything to the person: a member's while one is one of these.

        Who never had a login is let in until a membership has ended.
        """
        if self.user_id is None:
            return self.left_at is None
        members = Membership.objects.filter(user=self.user_id, site=self.site_id, role__in=roles)
        return members.filter(user__is_active=True).exists()


class Absence(models.Model):
    """Days on which a person does not work."""

    person = models.ForeignKey(Person, models.CASCADE, related_name="absences")
    first_day = models.DateField()
    last_day = models.DateField()

    objects = SiteQuerySet.as_manager()
    site_path = "person__site"

    class Meta:
        ordering = ["first_day"]
        constraints = [
            models.UniqueConstraint(fields=["person", "first_day", "last_day"], name="absence_once"),
            models.CheckConstraint(condition=Q(last_day__gte=F("first_day")), name="absence_days_in_order"),
        ]

    def __str__(self) -> str:
        return f"{self.person} away {self.first_day} to {self.last_day}"
