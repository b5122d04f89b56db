"""Where sessions are kept: as Django keeps them in the database, with their user and device beside them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore as DatabaseStore
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from fleet.models import SignIn

DEVICE = "device"
# Often enough to tell an old session from one in use, and seldom enough to cost nothing.
SEEN_EVERY = timedelta(minutes=5)


class SessionStore(DatabaseStore):
    """Django's store; `seen_at` is when the session that was read had last been used."""

    seen_at: datetime | None = None

    @classmethod
    def get_model_class(cls) -> type[SignIn]:
        """Return the table."""
        return SignIn

    def _get_session_from_db(self) -> Any:
        row = super()._get_session_from_db()  # type: ignore[misc]
        self.seen_at = row.seen_at if row else None
        return row

    def create_model_instance(self, data: dict[str, Any]) -> Any:
        """Return the row of a session, its user and device in columns of their own."""
        row: Any = super().create_model_instance(data)
        number = data.get(SESSION_KEY)
        row.user_id = int(number) if number else None
        row.device = data.get(DEVICE, "")
        began = data.get("began_at")
        row.began_at = datetime.fromisoformat(began) if began else None
        self.seen_at = row.seen_at = self.seen_at or timezone.now()
        return row


class SeenMiddleware:
    """Note now and then that a session is in use, beside its data, which another request may be writing."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Serve the request, then note it."""
        response = self.get_response(request)
        session: Any = request.session
        if session.session_key and session.accessed and session.get(SESSION_KEY):
            self._note(session, timezone.now())
        return response

    @staticmethod
    def _note(session: Any, now: datetime) -> None:
        if session.seen_at is None or session.seen_at <= now - SEEN_EVERY:
            SignIn.objects.filter(pk=session.session_key).update(seen_at=now)
            session.seen_at = now
