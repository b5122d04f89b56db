"""Letters as rows, who wants which and when, and when periodic jobs last ran."""

from __future__ import annotations

from datetime import date, time

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models import Person
from fleet.models.sites import check_time_zone


class Letter(models.Model):
    """An outgoing letter: a row first, frozen, sent at most once per person, kind and week."""

    class State(models.TextChoices):
        """How far the letter has come."""

        DUE = "due", _("due")
        SENDING = "sending", _("sending")
        SENT = "sent", _("sent")
        REFUSED = "refused", _("refused")
        UNKNOWN = "unknown", _("unknown")

    person = models.ForeignKey(
        Person, models.CASCADE, null=True, related_name="letters", help_text="empty: about a door"
    )
    kind = models.CharField(max_length=24, default="due_work")
    iso_year = models.PositiveSmallIntegerField()
    iso_week = models.PositiveSmallIntegerField()
    occasion = models.CharField(
        max_length=120, blank=True, help_text="what an alert is about; empty for a weekly letter"
    )
    to = models.EmailField()
    sender = models.CharField(max_length=400, blank=True, help_text="empty: that of the person's site")
    seed = models.CharField(max_length=80, blank=True, help_text="what its secret link is made from")
    subject = models.CharField(max_length=255)
    text = models.TextField()
    html = models.TextField()
    items = models.JSONField(default=list)
    outlook = models.JSONField(default=list, help_text="what the next letter compares itself with")
    calendar = models.TextField(blank=True, help_text="the attached calendar, RFC 5545")
    message_id = models.CharField(max_length=255, unique=True)
    state = models.CharField(max_length=16, choices=State.choices, default=State.DUE)
    made_at = models.DateTimeField()
    attempts = models.PositiveIntegerField(default=0)
    next_try_at = models.DateTimeField()
    lease = models.CharField(max_length=64, blank=True)
    lease_until = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    trouble = models.TextField(blank=True, help_text="what the mail server said last")

    objects = SiteQuerySet.as_manager()
    site_path = "person__site"

    class Meta:
        ordering = ["-made_at"]
        indexes = [models.Index(fields=["state", "next_try_at"], name="letter_due")]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "kind", "iso_year", "iso_week", "occasion"], name="letter_once_a_week"
            ),
            models.CheckConstraint(
                condition=Q(iso_week__gte=1, iso_week__lte=53), name="letter_week_possible"
            ),
            models.CheckConstraint(
                condition=~Q(state="sent") | Q(sent_at__isnull=False), name="letter_sent_has_time"
            ),
            models.CheckConstraint(
                condition=~Q(state="sending") | (Q(lease_until__isnull=False) & ~Q(lease="")),
                name="letter_sending_has_lease",
            ),
            models.CheckConstraint(
                condition=Q(person__isnull=False) | ~Q(sender=""), name="letter_comes_from_somebody"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.to}, {self.iso_year}-W{self.iso_week:02d}: {self.state}"

    @property
    def monday(self) -> date:
        """Monday of the letter's week."""
        return date.fromisocalendar(self.iso_year, self.iso_week, 1)


class LetterChoice(models.Model):
    """Whether and when a person wants a kind of letter; without a row the kind's own habit holds."""

    class Day(models.IntegerChoices):
        """The day on which the letter of a week comes, counted from the week's Monday."""

        FRIDAY_BEFORE = -3, _("Friday before")
        SATURDAY_BEFORE = -2, _("Saturday before")
        SUNDAY_BEFORE = -1, _("Sunday before")
        MONDAY = 0, _("Monday")
        TUESDAY = 1, _("Tuesday")
        WEDNESDAY = 2, _("Wednesday")
        THURSDAY = 3, _("Thursday")

    person = models.ForeignKey(Person, models.CASCADE, related_name="letter_choices")
    kind = models.CharField(max_length=24)
    wanted = models.BooleanField(default=True)
    day = models.SmallIntegerField(choices=Day.choices, default=Day.MONDAY)
    at = models.TimeField(default=time(6))
    time_zone = models.CharField(
        max_length=64, blank=True, validators=[check_time_zone], help_text="empty: the site's"
    )
    changed_at = models.DateTimeField()
    changed_by = models.CharField(max_length=150, blank=True, help_text="a user's name, or the letter's link")

    objects = SiteQuerySet.as_manager()
    site_path = "person__site"

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(fields=["person", "kind"], name="letter_choice_once"),
            models.CheckConstraint(condition=Q(day__gte=-3, day__lte=3), name="letter_choice_day_possible"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.person}: {'wanted' if self.wanted else 'not wanted'}"


class Heartbeat(models.Model):
    """When a periodic job last ran; read by the health page."""

    name = models.CharField(max_length=40, unique=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} at {self.at}"
