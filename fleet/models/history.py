"""What became of facts: who changed which when, and what was put away and can be brought back."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models.sites import Site

SUBJECT_LENGTH = 60


class FactHistory(models.Model):
    """One change of one fact; rows are added and never altered, and outlive what they tell of."""

    class What(models.TextChoices):
        """What was done."""

        ENTERED = "entered", _("entered")
        CHANGED = "changed", _("changed")
        REMOVED = "removed", _("removed")
        RETURNED = "returned", _("brought back")
        FORGOTTEN = "forgotten", _("gone for good")

    class Way(models.TextChoices):
        """By which way in."""

        PAGE = "page", _("on a page")
        ADMIN = "admin", _("in the tables of the administration")
        IMPORT = "import", _("by an import")
        COMMAND = "command", _("by a command")
        WORKER = "worker", _("by the worker")

    site = models.ForeignKey(Site, models.CASCADE, related_name="fact_history", db_constraint=False)
    subject = models.CharField(max_length=SUBJECT_LENGTH, help_text="model, as app.model")
    subject_pk = models.BigIntegerField()
    within = models.CharField(max_length=SUBJECT_LENGTH, blank=True, help_text="model it is shown on as well")
    within_pk = models.BigIntegerField(null=True)
    name = models.CharField(max_length=255, help_text="of the fact, as it was then")
    what = models.CharField(max_length=12, choices=What.choices)
    values = models.JSONField(default=dict, help_text="by field: what it was and what it became")
    at = models.DateTimeField()
    by = models.CharField(max_length=150, blank=True, help_text="name as it was then, if anybody signed in")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    way = models.CharField(max_length=8, choices=Way.choices)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [
            models.Index(fields=["subject", "subject_pk", "-at"], name="history_of_fact"),
            models.Index(
                fields=["within", "within_pk", "-at"], name="history_within", condition=~Q(within="")
            ),
            models.Index(fields=["site", "-at"], name="history_of_site"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(what__in=("entered", "changed", "removed", "returned", "forgotten")),
                name="fact_history_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.get_what_display()}"


class PutAway(models.Model):
    """What somebody removed, whole with all that hung on it, until it is brought back or gone for good."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="put_away")
    subject = models.CharField(max_length=SUBJECT_LENGTH, help_text="model, as app.model")
    subject_pk = models.BigIntegerField()
    name = models.CharField(max_length=255)
    at = models.DateTimeField(db_index=True)
    by = models.CharField(max_length=150, blank=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    way = models.CharField(max_length=8, choices=FactHistory.Way.choices)
    rows = models.JSONField(help_text="rows of [model, values by column]")
    pointed = models.JSONField(default=list, help_text="rows of [model, number, column, value], emptied")
    hung = models.JSONField(default=dict, help_text="how many of what hung on it, by name")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-at", "-pk"]
        verbose_name_plural = "put away"

    def __str__(self) -> str:
        return self.name
