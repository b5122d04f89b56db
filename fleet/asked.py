"""What players asked for on an instrument, answered while a service of it is recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fleet.models import Instrument, NoteRequest, RequestState
from fleet.refusal import Refused
from fleet.requests import answer_request


@dataclass(frozen=True)
class Asked:
    """An open request with what was typed about it."""

    request: NoteRequest
    state: str
    finding: str
    shown: bool

    @property
    def name(self) -> str:
        """The name of its fields in the form."""
        return f"asked-{self.request.pk}"


def open_requests(instrument: Instrument, said: Mapping[str, str] | None = None) -> list[Asked]:
    """Return the open requests of an instrument with what was typed about them, the oldest first."""
    rows = instrument.requests.filter(state=RequestState.OPEN).order_by("made_at")
    return [_asked(one, said or {}) for one in rows]


def _asked(one: NoteRequest, said: Mapping[str, str]) -> Asked:
    name = f"asked-{one.pk}"
    return Asked(
        one,
        said.get(f"{name}-state", RequestState.OPEN),
        said.get(f"{name}-finding", ""),
        bool(said.get(f"{name}-shown")),
    )


def answer(asked: list[Asked], user: Any, now: datetime) -> None:
    """Close the requests about which something was found; those left open are left alone.

    Raises
    ------
    fleet.refusal.Refused
        Where a request is closed without a word of what was found.
    """
    for one in asked:
        if one.state == RequestState.OPEN:
            continue
        try:
            answer_request(one.request, one.state, one.finding, one.shown, user, now)
        except Refused as refused:
            notes = " ".join(one.request.notes)
            raise Refused(f"{notes}: {refused.message}", accepted=refused.accepted) from None
