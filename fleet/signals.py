"""Telling whoever decides from the facts that some of them changed, once they are stored for good."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

from django.db import transaction
from django.dispatch import Signal

# Sent with site_id, instrument_ids and room_ids; both None where anything of the site may have changed.
facts_changed = Signal()


def tell_facts_changed(
    site_id: int,
    instrument_ids: Iterable[int] | None = None,
    room_ids: Iterable[int] | None = None,
) -> None:
    """Send `facts_changed` after the commit; whoever fails to hear it does not undo the facts."""
    told = partial(
        facts_changed.send_robust,
        sender=None,
        site_id=site_id,
        instrument_ids=None if instrument_ids is None else sorted(set(instrument_ids)),
        room_ids=None if room_ids is None else sorted(set(room_ids)),
    )
    transaction.on_commit(told)
