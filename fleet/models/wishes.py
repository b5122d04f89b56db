"""What others ask of the instruments: bookings of rooms, note requests, and visits people have fixed."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models.air import Room
from fleet.models.calendars import BookingSource
from fleet.models.instruments import Instrument
from fleet.models.sites import Site


class Booking(models.Model):
    """A room in use from an instant to another; a performance makes a tuning before it dated work."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="bookings")
    room = models.ForeignKey(Room, models.CASCADE, related_name="bookings")
    source = models.ForeignKey(
        BookingSource,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="bookings",
        help_text="the calendar that brought it, and may take it away again",
    )
    uid = models.CharField(max_length=255, help_text="UID of the event in its calendar")
    occurrence = models.CharField(
        max_length=40, blank=True, help_text="start of a recurring event's instance"
    )
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    title = models.CharField(max_length=255, blank=True)
    performance = models.BooleanField(default=False)
    instruments = models.ManyToManyField(Instrument, blank=True, related_name="bookings")
    pitch_hz = models.FloatField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["starts_at"]
        indexes = [models.Index(fields=["site", "starts_at"], name="booking_by_start")]
        constraints = [
            models.UniqueConstraint(fields=["site", "uid", "occurrence"], name="booking_once"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="booking_times_in_order"),
        ]

    def __str__(self) -> str:
        return f"{self.title or 'booking'} in {self.room}"


class RequestState(models.TextChoices):
    """How far a note request has come."""

    OPEN = "open", _("open")
    DONE = "done", _("done")
    NOTHING_FOUND = "nothing_found", _("looked at, nothing found")


class NoteRequest(models.Model):
    """What a player reported: notes, a symptom and words."""

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="requests")
    notes = models.JSONField(default=list, help_text="note names with sharps, middle C is C4")
    symptom = models.CharField(max_length=80)
    words = models.TextField(blank=True)
    made_at = models.DateTimeField()
    made_by = models.CharField(max_length=120, blank=True)
    state = models.CharField(max_length=16, choices=RequestState.choices, default=RequestState.OPEN)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.CharField(max_length=150, blank=True)
    finding = models.TextField(blank=True, help_text="what was found, asked for when it is closed")
    finding_shown = models.BooleanField(default=False, help_text="whether players may read the finding")
    form_token = models.CharField(
        max_length=64, null=True, unique=True, editable=False, help_text="of the form that made it"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["made_at"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "made_at", "symptom"], name="request_once"),
            models.CheckConstraint(condition=Q(state__in=RequestState.values), name="request_state_known"),
        ]

    def __str__(self) -> str:
        return f"{self.symptom} on {self.instrument}"


class RequestChange(models.Model):
    """What somebody made of a request; rows are added and never altered."""

    request = models.ForeignKey(NoteRequest, models.CASCADE, related_name="changes")
    at = models.DateTimeField()
    by = models.CharField(max_length=150, help_text="the name of whoever did it, as it was then")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.SET_NULL, null=True, related_name="+")
    state = models.CharField(max_length=16, choices=RequestState.choices)
    finding = models.TextField(blank=True)
    finding_shown = models.BooleanField(default=False)

    objects = SiteQuerySet.as_manager()
    site_path = "request__instrument__site"

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.request} {self.get_state_display()} by {self.by}"


class PublicPost(models.Model):
    """That a request came through the page of an instrument: what the limits on that door are counted from.

    The sender's network address is kept only as a keyed hash, and the row only for a day.
    """

    site = models.ForeignKey(Site, models.CASCADE, related_name="+")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="+")
    sender = models.CharField(max_length=64)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["site", "at"], name="public_post_by_site")]

    def __str__(self) -> str:
        return f"a request on {self.instrument} at {self.at}"


class HeldVisit(models.Model):
    """A visit that a person has fixed in a week; a plan is built around it."""

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="held_visits")
    kind = models.CharField(max_length=40)
    week = models.DateField(help_text="Monday of the week")

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["week"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "kind", "week"], name="held_visit_once"),
            models.CheckConstraint(condition=Q(week__iso_week_day=1), name="held_visit_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} held in the week of {self.week}"
