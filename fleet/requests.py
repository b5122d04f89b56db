"""Note requests: taking one from a player once; closing, correcting or opening it again with its history."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import translation
from django.utils.translation import gettext as _

from fleet import throttle
from fleet.models import Instrument, NoteRequest, RequestChange, RequestState, Site
from fleet.notes import note_name
from fleet.picking import Picked
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed
from fleet.symptoms import SOMETHING_ELSE, symptoms_for

MOST_WORDS = 500
MOST_FINDING = 1000
# The same report again within this span, while the first is open, is the same trouble and not another.
SAME_WITHIN = timedelta(hours=24)


@dataclass(frozen=True)
class Taken:
    """A request as it is stored, and whether it was there already."""

    request: NoteRequest
    again: bool


def take_request(
    instrument: Instrument, picked: Picked, symptom: str, words: str, sender: str, now: datetime
) -> Taken:
    """Store what a player reports: the confirmed notes, a symptom of the list by its word, words of his own.

    The same form sent again, or the same report made again while the first is open, stores nothing more.

    Raises
    ------
    fleet.refusal.Refused
        Where the symptom is not of the list, words are missing or too many.
    fleet.throttle.TooMany
        Where too many requests came; nothing is stored.
    """
    says, words = _said(instrument, symptom, words)
    notes = [note_name(number) for number in picked.notes]
    sent = NoteRequest.objects.filter(form_token=picked.token).first()
    if sent is not None:
        return Taken(sent, again=True)
    throttle.check(instrument, sender, now)
    with transaction.atomic():
        # One at a time within a site, so that what is counted holds and one report is not taken twice.
        Site.objects.select_for_update().get(pk=instrument.site_id)
        known = _known(instrument, picked.token, notes, says, words, now)
        if known is not None:
            return Taken(known, again=True)
        throttle.check(instrument, sender, now)
        request = NoteRequest.objects.create(
            instrument=instrument,
            notes=notes,
            symptom=says,
            words=words,
            made_at=_free_instant(instrument, says, now),
            form_token=picked.token,
        )
        throttle.count(instrument, sender, now)
        tell_facts_changed(instrument.site_id, [instrument.pk], now=now)
    return Taken(request, again=False)


def _said(instrument: Instrument, symptom: str, words: str) -> tuple[str, str]:
    offered = {one.word: one for one in symptoms_for(instrument.kind)}
    words = words.replace("\0", "").strip()
    if symptom not in offered:
        raise Refused(_("please say what troubles you"), accepted=_("one of the list"))
    if len(words) > MOST_WORDS:
        raise Refused(
            _("your words are too many: %(words)s characters") % {"words": len(words)},
            accepted=_("at most %(most_words)s") % {"most_words": MOST_WORDS},
        )
    if symptom == SOMETHING_ELSE and not words:
        raise Refused(
            _("please say in your own words what troubles you"), accepted=_("a few words in the box")
        )
    # Stored in one language whatever the player reads, so that it is recognised and told in anybody's.
    with translation.override("en"):
        return str(offered[symptom].says), words


def _known(
    instrument: Instrument, token: str, notes: list[str], says: str, words: str, now: datetime
) -> NoteRequest | None:
    sent = NoteRequest.objects.filter(form_token=token).first()
    if sent is not None:
        return sent
    alike = NoteRequest.objects.filter(
        instrument=instrument,
        state=RequestState.OPEN,
        symptom=says,
        words=words,
        made_at__gt=now - SAME_WITHIN,
    )
    return next((one for one in alike if sorted(one.notes) == sorted(notes)), None)


def _free_instant(instrument: Instrument, says: str, now: datetime) -> datetime:
    """Return the first instant from now on at which nobody reported this symptom on this instrument."""
    while NoteRequest.objects.filter(instrument=instrument, symptom=says, made_at=now).exists():
        now += timedelta(microseconds=1)
    return now


@transaction.atomic
def answer_request(
    request: NoteRequest, state: str, finding: str, finding_shown: bool, user: Any, now: datetime
) -> NoteRequest:
    """Close a request with what was found, correct what was written, or open it again; keeps who and when.

    Raises
    ------
    fleet.refusal.Refused
        Where the state is none of the three, a closed one says nothing of what was found, or the words are
        too many.
    """
    finding = finding.replace("\0", "").strip()
    _check_answer(state, finding)
    kept = NoteRequest.objects.select_for_update().select_related("instrument").get(pk=request.pk)
    closed = state != RequestState.OPEN
    answer = (state, finding, finding_shown and closed)
    if answer == (kept.state, kept.finding, kept.finding_shown):
        return kept
    by = user.get_full_name() or user.get_username()
    kept.state, kept.finding, kept.finding_shown = answer
    kept.closed_at = (kept.closed_at or now) if closed else None
    kept.closed_by = by if closed else ""
    kept.save(update_fields=["state", "finding", "finding_shown", "closed_at", "closed_by"])
    RequestChange.objects.create(
        request=kept, at=now, by=by, user=user, state=state, finding=finding, finding_shown=kept.finding_shown
    )
    tell_facts_changed(kept.instrument.site_id, [kept.instrument_id], now=now)
    return kept


def _check_answer(state: str, finding: str) -> None:
    if state not in RequestState.values:
        raise Refused(_("unknown state of a request"), value=state, accepted=", ".join(RequestState.values))
    if state == RequestState.DONE and not finding:
        raise Refused(
            _("please say what was found"), accepted=_("a few words, such as: a pencil under the keys")
        )
    if len(finding) > MOST_FINDING:
        raise Refused(
            _("too many words: %(finding)s characters") % {"finding": len(finding)},
            accepted=_("at most %(most_finding)s") % {"most_finding": MOST_FINDING},
        )
