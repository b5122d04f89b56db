"""What changed facts and doors set going: a refresh of forecasts, letters, and letters that stop."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from django.dispatch import receiver
from django.utils import timezone

from fleet.models import Membership, Person, Site
from fleet.signals import LetterNews, facts_changed, letter_wanted, letters_asked_after, membership_ended
from scheduling import changed_facts, door_letters, feeds, tasks
from scheduling.letter_choices import set_wanted, wishes_of
from scheduling.models import Feed

BY_LEAVING = "the end of the membership"


@receiver(facts_changed, dispatch_uid="refresh what changed facts reach")
def refresh_what_is_reached(
    sender: Any, site_id: int, instrument_ids: Sequence[int] | None, room_ids: Sequence[int] | None, **_: Any
) -> None:
    """Wake the site's refresh, which finds in the notes what has changed; if this waits, the tick does."""
    only_rooms = room_ids is not None and not instrument_ids
    if only_rooms and not changed_facts.take_turn_of_rooms(site_id, timezone.now()):
        return
    tasks.refresh_changed.delay(site_id)


@receiver(letter_wanted, dispatch_uid="store letters about doors")
def store_letter(
    sender: Any, kind: str, to: str, context: Mapping[str, Any], site: Site | None, seed: str, **_: Any
) -> None:
    """Store a letter within the transaction of what it tells."""
    door_letters.put_in_outbox(kind, to, context, site, seed, timezone.now())


@receiver(letters_asked_after, dispatch_uid="tell what became of letters about doors")
def tell_of_letters(sender: Any, kind: str, occasions: Collection[str], **_: Any) -> dict[str, LetterNews]:
    """Tell what became of letters about doors, by what each was about."""
    return door_letters.news_of(kind, occasions)


@receiver(membership_ended, dispatch_uid="stop what goes to former members")
def stop_what_goes_out(sender: Any, membership: Membership, people: Sequence[Person], **_: Any) -> None:
    """Send no more letters to who was a member, and close the calendars of their own work."""
    now = timezone.now()
    for person, wishes in wishes_of(people):
        for wish in wishes:
            set_wanted(person, wish.kind, False, now, BY_LEAVING)
    for feed in Feed.objects.filter(site=membership.site, person__in=people, revoked_at=None):
        feeds.revoke(feed, now)
