"""Keeping what records said before an import corrected them."""

from __future__ import annotations

from datetime import datetime

from fleet.imports.merge import BATCH, Change, Difference
from fleet.models import RecordChange, Service
from fleet.records import plain

IMPORTED = "an import of a folder"


def note_corrections(difference: Difference, now: datetime) -> None:
    """Add to the history of each record that a folder changed what it was and what it became."""
    services = Service.objects.in_bulk([change.pk for change in difference.changed])
    RecordChange.objects.bulk_create(
        [_correction(services[change.pk], change, now) for change in difference.changed], batch_size=BATCH
    )


def _correction(service: Service, change: Change, now: datetime) -> RecordChange:
    was, is_now = plain(change.before), plain(change.row.record)
    return RecordChange(
        instrument_id=service.instrument_id,
        service=service,
        kind=service.kind,
        what=RecordChange.What.CORRECTED,
        at=now,
        by=IMPORTED,
        values={name: [was[name], is_now[name]] for name in change.columns},
    )
