"""Telling whoever decides from the facts that some of them changed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from django.db import transaction
from django.dispatch import Signal
from django.utils import timezone

from fleet.models import FactChange, Site

# Sent within a transaction for what somebody has to be told by letter, with kind, to, context, site and seed.
letter_wanted = Signal()
# Sent with kind and occasions; whoever sends letters answers by occasion what became of each.
letters_asked_after = Signal()
# Sent within the transaction that ends a membership, with membership and people, those it was tied to.
membership_ended = Signal()
# Sent with site_id, instrument_ids and room_ids; both None where anything of the site may have changed.
facts_changed = Signal()


def tell_facts_changed(
    site_id: int,
    instrument_ids: Iterable[int] | None = None,
    room_ids: Iterable[int] | None = None,
    now: datetime | None = None,
) -> None:
    """Note that facts changed, and send `facts_changed` once they are stored for good.

    Called inside the transaction that changes them, so that the note stands or falls with the facts: whoever
    misses the signal still finds the note. Where ids are given, be they none, only those have changed.
    """
    whole = instrument_ids is None and room_ids is None
    instruments, rooms = sorted(set(instrument_ids or ())), sorted(set(room_ids or ()))
    named = [{"instrument_id": pk} for pk in instruments] + [{"room_id": pk} for pk in rooms]
    if not whole and not named:
        return
    at = now or timezone.now()
    FactChange.objects.bulk_create(
        [FactChange(site_id=site_id, at=at, **what) for what in ([{}] if whole else named)], batch_size=500
    )
    told = partial(
        facts_changed.send_robust,
        sender=None,
        site_id=site_id,
        instrument_ids=None if whole else instruments,
        room_ids=None if whole else rooms,
    )
    transaction.on_commit(told)


def want_letter(
    kind: str, to: str, context: Mapping[str, Any], site: Site | None = None, seed: str = ""
) -> None:
    """Ask for a letter about a door, stored within the transaction that calls this, or not at all.

    Parameters
    ----------
    kind : the folder of its templates
    to : the address it goes to
    context : what its templates may say
    site : the site it comes from, the installation where none
    seed : what its secret link is made from, see `fleet.doors.secret_links`
    """
    letter_wanted.send(sender=None, kind=kind, to=to, context=context, site=site, seed=seed)


@dataclass(frozen=True)
class LetterNews:
    """What became of a letter: a word for it, the shape of its mark, what the mail server said."""

    word: str
    shape: str
    trouble: str


def what_became_of_letters(kind: str, occasions: Collection[str]) -> dict[str, LetterNews]:
    """Return, by occasion, what became of letters that were asked for; forgotten ones are left out."""
    answers: Any = letters_asked_after.send(sender=None, kind=kind, occasions=occasions)
    return {occasion: news for _, answer in answers for occasion, news in answer.items()}
