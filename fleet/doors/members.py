"""Who is a member of a site as what: roles are changed and ended, and one administrator always stays."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from fleet.doors import second_factor
from fleet.models import Membership, Person, Role, Site
from fleet.refusal import Refused
from fleet.signals import membership_ended, want_letter


def change_role(membership: Membership, role: str) -> None:
    """Give a member another role.

    Raises
    ------
    Refused
        Where it is no role, or nobody else would be administrator.
    """
    if role not in Role.values:
        raise Refused("no role", column="role", value=role, accepted=", ".join(Role.values))
    with transaction.atomic():
        if role != Role.ADMINISTRATOR:
            _another_administrator_stays(membership)
        Membership.objects.filter(pk=membership.pk).update(role=role)


def end(membership: Membership, now: datetime) -> None:
    """End a membership: the site is closed to the user from the next page on.

    The person stays in the site's plans and records, without the login, and gets no letters any more; the
    links of those that came open nothing from now on.

    Raises
    ------
    Refused
        Where nobody else is administrator.
    """
    with transaction.atomic():
        _another_administrator_stays(membership)
        people = list(Person.objects.filter(site=membership.site, user=membership.user))
        membership_ended.send(sender=None, membership=membership, people=people)
        Person.objects.filter(pk__in=[person.pk for person in people]).update(user=None, left_at=now)
        Membership.objects.filter(pk=membership.pk).delete()


def take_off_second_factor(membership: Membership, by: Any) -> None:
    """Let a member who has lost the second factor sign in without it, and tell them by letter.

    Raises
    ------
    Refused
        Where there is none.
    """
    user: Any = membership.user
    with transaction.atomic():
        if not second_factor.take_off(user):
            raise Refused("this member has no second factor")
        if user.email:
            told = {"user": user, "what": "factor_taken_off", "by": by.get_full_name() or by.get_username()}
            want_letter("account", user.email, told, membership.site)


def _another_administrator_stays(membership: Membership) -> None:
    # Two who leave at once wait for each other here, so that one of them stays.
    Site.objects.select_for_update().get(pk=membership.site_id)
    here = Membership.objects.filter(site=membership.site_id, role=Role.ADMINISTRATOR)
    is_one = here.filter(pk=membership.pk).exists()
    if is_one and not here.exclude(pk=membership.pk).exists():
        raise Refused(
            "this is the only administrator",
            accepted="making another member administrator first",
        )
