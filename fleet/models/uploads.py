"""Files of readings that people bring to a page, from the first look until they are stored."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models.air import Room
from fleet.models.sites import Site


class UploadState(models.TextChoices):
    """Where a file stands; nothing of it is stored before it is stored whole."""

    OPEN = "open", _("waiting for your choices")
    WAITING = "waiting", _("waiting for its turn")
    CHECKING = "checking", _("being checked")
    STORING = "storing", _("being stored")
    STORED = "stored", _("stored")
    REFUSED = "refused", _("refused")
    CANCELLED = "cancelled", _("cancelled")
    FORGOTTEN = "forgotten", _("laid aside")


class ReadingsUpload(models.Model):
    """A file of readings; the file itself lies in the folder of uploads until it is stored or given up."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="readings_uploads")
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    made_at = models.DateTimeField()
    file_name = models.CharField(max_length=200)
    size = models.PositiveBigIntegerField(help_text="bytes")
    stored_as = models.CharField(max_length=40, editable=False)
    room = models.ForeignKey(
        Room, models.SET_NULL, null=True, blank=True, related_name="+", help_text="where the logger stood"
    )
    head = models.JSONField(default=dict, help_text="header, first rows, and the orders its dates allow")
    choices = models.JSONField(default=dict)
    signature = models.CharField(max_length=64)
    remembered = models.BooleanField(default=False, help_text="the choices are those of an earlier file")
    state = models.CharField(max_length=10, choices=UploadState.choices, default=UploadState.OPEN)
    lines_total = models.PositiveIntegerField(default=0)
    lines_read = models.PositiveIntegerField(default=0)
    left_out = models.PositiveIntegerField(default=0)
    new = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    same = models.PositiveIntegerField(default=0)
    doubtful = models.PositiveIntegerField(default=0)
    trouble = models.TextField(blank=True)
    cancel_asked = models.BooleanField(default=False)
    lease = models.CharField(max_length=32, blank=True, editable=False)
    lease_until = models.DateTimeField(null=True, blank=True, editable=False)
    finished_at = models.DateTimeField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=Q(state__in=UploadState.values), name="upload_state_known"),
        ]

    def __str__(self) -> str:
        return f"{self.file_name} ({self.get_state_display()})"

    @property
    def share_read(self) -> float:
        """How much of the file has been read [fraction]."""
        return min(self.lines_read / self.lines_total, 1.0) if self.lines_total else 0.0


class LoggerFormat(models.Model):
    """What was last said of the files of one header from one room, so that it need not be said again."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="logger_formats")
    room = models.ForeignKey(Room, models.CASCADE, null=True, blank=True, related_name="logger_formats")
    signature = models.CharField(max_length=64)
    choices = models.JSONField()
    used_at = models.DateTimeField()

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-used_at"]
        constraints = [
            models.UniqueConstraint(fields=["site", "room", "signature"], name="logger_format_once"),
            models.UniqueConstraint(
                fields=["site", "signature"],
                condition=Q(room__isnull=True),
                name="logger_format_of_many_rooms_once",
            ),
        ]

    def __str__(self) -> str:
        return f"files from {self.room or self.site}"
