"""Work that a person asks for and the worker does: its state, how far it is, and who asked."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from fleet.models import Site


class AskedWork(models.Model):
    """One piece of work: a row first, taken up by whichever worker claims it, found again when that dies."""

    class State(models.TextChoices):
        """How far it has come."""

        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("being computed")
        DONE = "done", _("done")
        REFUSED = "refused", _("could not be computed")
        CANCELLED = "cancelled", _("cancelled")

    site = models.ForeignKey(Site, models.CASCADE, related_name="%(class)ss")
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    asker = models.CharField(max_length=150, blank=True, help_text="name of who asked, kept when they leave")
    state = models.CharField(max_length=16, choices=State.choices, default=State.WAITING)
    step = models.CharField(max_length=120, blank=True, help_text="what is being done")
    heard_at = models.DateTimeField(null=True, help_text="last word of the worker that has it")
    ended_at = models.DateTimeField(null=True)
    trouble = models.TextField(blank=True, help_text="why it could not be done")

    class Meta:
        abstract = True

    @property
    def open(self) -> bool:
        """Whether it still waits or runs."""
        return self.state in (self.State.WAITING, self.State.RUNNING)
