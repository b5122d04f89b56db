"""Whether what a page shows already knows every fact, and since when it does not."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from fleet.models import FactChange, Instrument
from scheduling.inputs import changes_reaching

# Background work takes seconds; after so long it is said that it does not get on.
LATE_AFTER = timedelta(minutes=5)


@dataclass(frozen=True)
class WaitingFacts:
    """Facts that the forecasts shown do not know yet, in a sentence."""

    sentence: str
    late: bool


def waiting_facts(instrument: Instrument, now: datetime) -> WaitingFacts | None:
    """Return what waits to be taken into an instrument's forecasts; None where nothing does."""
    first = changes_reaching(instrument).first()
    if first is None:
        return None
    if now - first.at > LATE_AFTER:
        since = date_format(timezone.localtime(first.at), _("j F, H:i"))
        return WaitingFacts(
            _("What was entered on %(since)s has not been taken into account yet; the figures are older.")
            % {"since": since},
            late=True,
        )
    return WaitingFacts(_being_taken_in(first), late=False)


def _being_taken_in(change: FactChange) -> str:
    if change.instrument_id is not None:
        return _("A record is being taken into account; new figures will appear here by themselves.")
    if change.room_id is not None:
        return _("New readings are being taken into account; new figures will appear here by themselves.")
    return _("Changed facts are being taken into account; new figures will appear here by themselves.")
