"""Ways in for loggers: secrets with which a machine may post readings of a site or of one room."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from fleet.models.air import Room
from fleet.models.sites import Site


class WayIn(models.Model):
    """A secret given to a logger; only its hash is kept, so it can be shown once and never again."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="ways_in")
    room = models.ForeignKey(
        Room,
        models.CASCADE,
        null=True,
        blank=True,
        related_name="ways_in",
        help_text="the only room it may post readings of; any of the site where none is named",
    )
    name = models.CharField(max_length=80)
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    last_used_at = models.DateTimeField(null=True, blank=True)
    readings_taken = models.PositiveBigIntegerField(default=0)
    revoked_at = models.DateTimeField(null=True, blank=True)
    # The minute being counted, and the requests in it.
    minute_began_at = models.DateTimeField(null=True, blank=True, editable=False)
    minute_requests = models.PositiveIntegerField(default=0, editable=False)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["name", "pk"]
        verbose_name = "way in"
        verbose_name_plural = "ways in"
        constraints = [
            models.CheckConstraint(
                condition=Q(revoked_at__isnull=True) | Q(revoked_at__gte=models.F("made_at")),
                name="way_in_revoked_after_made",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.room or self.site})"
