"""What people did with records: who entered, corrected or withdrew one, when, from what to what."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models.instruments import Instrument
from fleet.models.services import Service


class RecordChange(models.Model):
    """One change of a record; rows are added and never altered, and outlive a record that is withdrawn."""

    class What(models.TextChoices):
        """What was done."""

        ENTERED = "entered", _("entered")
        CORRECTED = "corrected", _("corrected")
        WITHDRAWN = "withdrawn", _("withdrawn")
        RETURNED = "returned", _("brought back")

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="record_changes")
    service = models.ForeignKey(Service, models.SET_NULL, null=True, related_name="changes")
    kind = models.CharField(max_length=40)
    what = models.CharField(max_length=12, choices=What.choices)
    at = models.DateTimeField()
    by = models.CharField(max_length=150, help_text="the name of whoever did it, as it was then")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    by_letter = models.BooleanField(default=False, help_text="through the link of a letter, without a login")
    token = models.CharField(max_length=64, null=True, help_text="of the form or link that entered it")
    values = models.JSONField(help_text="by name of the value: what it was and what it became")

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "token"], name="record_entered_once"),
            models.CheckConstraint(
                condition=Q(what__in=("entered", "corrected", "withdrawn", "returned")),
                name="record_change_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} {self.what} by {self.by}"
