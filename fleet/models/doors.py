"""Who comes in: sessions with the device they began on, invitations, and links that set a new password."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.conf import settings
from django.contrib.sessions.base_session import AbstractBaseSession, BaseSessionManager
from django.db import models
from django.db.models import F, Q

from fleet.access import SiteQuerySet
from fleet.models.sites import Role, Site

if TYPE_CHECKING:
    from fleet.doors.session_store import SessionStore


class SignIn(AbstractBaseSession):
    """A session as its user sees it: since when, on what, and when it was last used."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.CASCADE, null=True, related_name="sign_ins", editable=False
    )
    device = models.CharField(max_length=80, blank=True, help_text="browser and system, in words")
    began_at = models.DateTimeField(null=True)
    seen_at = models.DateTimeField(null=True)

    objects = BaseSessionManager()  # type: ignore[misc]

    class Meta(AbstractBaseSession.Meta):
        verbose_name = "session"
        verbose_name_plural = "sessions"

    def __str__(self) -> str:
        return f"{self.device or 'a session'} of {self.user or 'nobody yet'}"

    @classmethod
    def get_session_store_class(cls) -> type[SessionStore]:
        """Return what reads and writes these rows."""
        from fleet.doors.session_store import SessionStore

        return SessionStore


class Invitation(models.Model):
    """That somebody is invited to a site in a role; of the secret in the letter only a hash is kept."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="invitations")
    email = models.EmailField()
    role = models.CharField(max_length=16, choices=Role.choices)
    secret_hash = models.CharField(max_length=64, unique=True, editable=False)
    made_at = models.DateTimeField()
    made_by = models.CharField(max_length=150, help_text="the name of who invites")
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    used_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.SET_NULL, null=True, blank=True, related_name="+"
    )
    revoked_at = models.DateTimeField(null=True, blank=True)

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(condition=Q(role__in=Role.values), name="invitation_role_known"),
            models.CheckConstraint(condition=Q(expires_at__gt=F("made_at")), name="invitation_expires_later"),
            models.CheckConstraint(
                condition=Q(used_at__isnull=True) | Q(revoked_at__isnull=True), name="invitation_ends_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.email} invited to {self.site} as {self.role}"


class PasswordReset(models.Model):
    """That somebody asked for a new password; without a user where no account has the address."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.CASCADE, null=True, blank=True, related_name="password_resets"
    )
    sender = models.CharField(max_length=64, help_text="keyed hash of the network that asked")
    secret_hash = models.CharField(max_length=64, unique=True, null=True, editable=False)
    made_at = models.DateTimeField(db_index=True)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return f"new password for {self.user or 'an unknown address'}"
