"""Letters as rows, and when periodic jobs last ran."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from fleet.models import Person


class Letter(models.Model):
    """An outgoing letter: a row first, frozen, sent at most once per person, kind and week."""

    class State(models.TextChoices):
        """How far the letter has come."""

        DUE = "due", "due"
        SENDING = "sending", "sending"
        SENT = "sent", "sent"
        REFUSED = "refused", "refused"
        UNKNOWN = "unknown", "unknown"

    person = models.ForeignKey(Person, models.CASCADE, related_name="letters")
    kind = models.CharField(max_length=24, default="due_work")
    iso_year = models.PositiveSmallIntegerField()
    iso_week = models.PositiveSmallIntegerField()
    to = models.EmailField()
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
                fields=["person", "kind", "iso_year", "iso_week"], name="letter_once_a_week"
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
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.to}, {self.iso_year}-W{self.iso_week:02d}: {self.state}"


class Heartbeat(models.Model):
    """When a periodic job last ran; read by the health page."""

    name = models.CharField(max_length=40, unique=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} at {self.at}"
