"""What players have reported and nobody has answered yet, and how often such reports turn out to be true."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import Count, Q

from fleet.models import NoteRequest, RequestState, Site
from fleet.symptoms import service_for

# Of five reports four are found to be so; common practice, no source. It counts as five answers of one's own.
TRUE_BEFORE, ANSWERS_BEFORE = 4, 5


@dataclass(frozen=True)
class Report:
    """One open note request: `service` is the kind that usually deals with it, empty where any visit does."""

    instrument_id: int
    notes: tuple[str, ...]
    symptom: str
    service: str
    day: date


def open_reports(site: Site, today: date) -> list[Report]:
    """Return the requests that were open at the end of a day, oldest first."""
    end = datetime.combine(today + timedelta(days=1), time.min, site.zone)
    rows = (
        NoteRequest.objects.of_site(site)
        .filter(made_at__lt=end)
        .filter(Q(state=RequestState.OPEN) | Q(closed_at__gte=end))
    )
    return [
        Report(
            row.instrument_id,
            tuple(row.notes),
            row.symptom,
            service_for(row.symptom),
            site.local_date(row.made_at),
        )
        for row in rows.order_by("made_at", "pk")
    ]


def share_true(site: Site) -> float:
    """Return how often a report of a site turns out to be true, from its answers and a prior."""
    found = NoteRequest.objects.of_site(site).aggregate(
        true=Count("pk", filter=Q(state=RequestState.DONE)),
        all=Count("pk", filter=~Q(state=RequestState.OPEN)),
    )
    return float((TRUE_BEFORE + found["true"]) / (ANSWERS_BEFORE + found["all"]))
