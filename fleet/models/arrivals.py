"""What people bring to begin with: a folder, a table of instruments or of services, until it is stored."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from fleet.models.sites import Site


class ArrivalKind(models.TextChoices):
    """What was brought."""

    FOLDER = "folder", "a folder"
    INSTRUMENTS = "instruments", "a table of instruments"
    SERVICES = "services", "a table of past services"


class ArrivalState(models.TextChoices):
    """Where it stands; nothing of it is stored before it is stored whole."""

    WAITING = "waiting", "waiting for its turn"
    WORKING = "working", "being read"
    OPEN = "open", "waiting for your answers"
    LOOKED = "looked", "ready to be stored"
    STORED = "stored", "stored"
    REFUSED = "refused", "refused"
    CANCELLED = "cancelled", "given up"
    FORGOTTEN = "forgotten", "laid aside"


class Arrival(models.Model):
    """Something brought; the files lie in the folder of uploads until they are stored or given up."""

    site = models.ForeignKey(
        Site,
        models.CASCADE,
        null=True,
        blank=True,
        related_name="arrivals",
        help_text="empty while a folder has not made its site yet",
    )
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="arrivals")
    made_at = models.DateTimeField()
    kind = models.CharField(max_length=12, choices=ArrivalKind.choices)
    file_name = models.CharField(max_length=200)
    size = models.PositiveBigIntegerField(default=0, help_text="bytes")
    stored_as = models.CharField(max_length=40, editable=False)
    head = models.JSONField(default=dict, help_text="header, first rows, the values of columns to be matched")
    choices = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=ArrivalState.choices, default=ArrivalState.WAITING)
    store = models.BooleanField(default=False, help_text="whether it is to be stored and not only looked at")
    step = models.CharField(max_length=120, blank=True)
    result = models.JSONField(default=dict, help_text="by file what is new, changed and the same")
    trouble = models.TextField(blank=True)
    lease = models.CharField(max_length=32, blank=True, editable=False)
    lease_until = models.DateTimeField(null=True, blank=True, editable=False)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(state__in=ArrivalState.values), name="arrival_state_known"),
            models.CheckConstraint(condition=Q(kind__in=ArrivalKind.values), name="arrival_kind_known"),
        ]

    def __str__(self) -> str:
        return f"{self.file_name} ({self.get_state_display()})"

    @property
    def at_work(self) -> bool:
        """Whether a worker has it or will have it."""
        return self.state in (ArrivalState.WAITING, ArrivalState.WORKING)
