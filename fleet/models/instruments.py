"""Instruments and where they stood."""

from __future__ import annotations

import secrets
from collections.abc import Mapping

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.keyboard import Compass, compass_of, read_compass
from fleet.models.air import Room
from fleet.models.sites import Site

KNOWN_KINDS = ("grand", "upright", "harpsichord", "fortepiano", "celesta")


def new_public_id() -> str:
    """Return an unguessable name for an instrument's public page.

    It is stored as it is and not as a hash, since a label that has come off is printed again; whoever can
    read the table can read all that the page behind the code shows.
    """
    return secrets.token_urlsafe(32)


def check_compass(value: str) -> None:
    """Refuse what is not a lowest and a highest note."""
    try:
        read_compass(value)
    except ValueError as refusal:
        raise ValidationError(str(refusal)) from None


class UseClass(models.TextChoices):
    """What an instrument is used for; sets its tolerances and the weight of a day out."""

    CONCERT = "concert", _("concert")
    RECITAL = "recital", _("recital")
    TEACHING = "teaching", _("teaching")
    PRACTICE = "practice", _("practice")
    STORE = "store", _("store")


class InstrumentKind(models.Model):
    """A kind of instrument that a site adds to the known ones, and the known kind whose priors it borrows."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="instrument_kinds")
    kind = models.SlugField(max_length=40)
    behaves_like = models.CharField(max_length=40, choices=[(kind, kind) for kind in KNOWN_KINDS])
    compass = models.CharField(
        max_length=9,
        blank=True,
        validators=[check_compass],
        help_text="lowest and highest note such as F1-F6; empty for that of the known kind",
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(fields=["site", "kind"], name="instrument_kind_once"),
            models.CheckConstraint(
                condition=Q(behaves_like__in=KNOWN_KINDS), name="instrument_kind_like_known"
            ),
        ]

    def __str__(self) -> str:
        return self.kind


class Instrument(models.Model):
    """An acoustic instrument that is kept playable."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="instruments")
    tag = models.CharField(max_length=40, help_text="inventory tag")
    kind = models.CharField(max_length=40)
    year_built = models.PositiveSmallIntegerField()
    in_service_since = models.DateField()
    room = models.ForeignKey(
        Room, models.PROTECT, related_name="instruments", help_text="where it stands now"
    )
    use_class = models.CharField(max_length=16, choices=UseClass.choices)
    hours_played_per_week = models.FloatField(null=True, blank=True)
    glides = models.PositiveSmallIntegerField(null=True, blank=True, help_text="glides under the key frame")
    lever_front_mm = models.FloatField(null=True, blank=True, help_text="balance rail to key front")
    lever_back_mm = models.FloatField(null=True, blank=True, help_text="balance rail to back rest")
    pitch_hz = models.FloatField(default=440, help_text="A4 it is kept at")
    humidity_control = models.BooleanField(default=False, help_text="humidity control fitted inside")
    maker = models.CharField(max_length=120, blank=True)
    model = models.CharField(max_length=120, blank=True)
    serial = models.CharField(max_length=120, blank=True)
    compass = models.CharField(
        max_length=9,
        blank=True,
        validators=[check_compass],
        help_text="lowest and highest note such as F1-F6; empty for that of its kind",
    )
    public_id = models.CharField(max_length=64, unique=True, default=new_public_id, editable=False)
    retired_on = models.DateField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["tag"]
        constraints = [
            models.UniqueConstraint(fields=["site", "tag"], name="instrument_tag_once"),
            models.CheckConstraint(condition=Q(use_class__in=UseClass.values), name="instrument_use_known"),
            models.CheckConstraint(
                condition=Q(year_built__gte=1400, year_built__lte=2200), name="instrument_year_possible"
            ),
            models.CheckConstraint(
                condition=Q(pitch_hz__gte=330, pitch_hz__lte=500), name="instrument_pitch_possible"
            ),
            models.CheckConstraint(
                condition=Q(hours_played_per_week__isnull=True)
                | Q(hours_played_per_week__gte=0, hours_played_per_week__lte=168),
                name="instrument_playing_possible",
            ),
            models.CheckConstraint(
                condition=(Q(lever_front_mm__isnull=True) | Q(lever_front_mm__gt=0))
                & (Q(lever_back_mm__isnull=True) | Q(lever_back_mm__gt=0)),
                name="instrument_levers_positive",
            ),
        ]

    def __str__(self) -> str:
        return self.tag

    def keyboard(self, added: Mapping[str, InstrumentKind] | None = None) -> Compass:
        """Return the keys it has: those said of it, else of its kind at the site, else of the known kind.

        Whoever asks for many gives the kinds that the site has added, by name, instead of having each read.
        """
        if self.kind in KNOWN_KINDS:
            return compass_of(self.kind, self.compass)
        if added is None:
            added = {
                one.kind: one for one in InstrumentKind.objects.filter(site=self.site_id, kind=self.kind)
            }
        kind = added.get(self.kind)
        if kind is None:
            return compass_of(self.kind, self.compass)
        return compass_of(self.kind, self.compass or kind.compass, kind.behaves_like)


class Placement(models.Model):
    """That an instrument stood in a room; what it felt follows where it stood."""

    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="placements")
    room = models.ForeignKey(Room, models.PROTECT, related_name="placements")
    first_day = models.DateField()
    last_day = models.DateField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["first_day"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "first_day"], name="placement_once_a_day"),
            models.CheckConstraint(
                condition=Q(last_day__isnull=True) | Q(last_day__gte=F("first_day")),
                name="placement_days_in_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument} in {self.room} from {self.first_day}"
