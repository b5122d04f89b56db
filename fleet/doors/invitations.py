"""Inviting people to a site by letter, and joining it: a link that works once, for a while, until revoked."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError, transaction
from django.db.models import Q

from fleet.doors import secret_links
from fleet.models import Invitation, Membership, Person, Role, Site
from fleet.refusal import Refused
from fleet.signals import want_letter
from fleet.ways_in import hash_of

LASTS = timedelta(days=7)
TAKEN = "This name is taken; please choose another."
MOST_OPEN = 200  # invitations of one site that wait for an answer


def open_invitations(now: datetime) -> Q:
    """Return which invitations still open the door."""
    return Q(used_at=None, revoked_at=None, expires_at__gt=now)


def invite(site: Site, email: str, role: str, by: Any, now: datetime) -> Invitation:
    """Invite an address to a site; an earlier invitation of it that waits opens nothing any more.

    Raises
    ------
    Refused
        Where it is no address or no role, belongs to a member already, or too many wait.
    """
    email = email.replace("\0", "").strip()
    try:
        validate_email(email)
    except ValidationError:
        accepted = "an address such as ida@example.org"
        raise Refused("no mail address", column="email", value=email, accepted=accepted) from None
    if role not in Role.values:
        raise Refused("no role", column="role", value=role, accepted=", ".join(Role.values))
    if Membership.objects.filter(site=site, user__email__iexact=email).exists():
        raise Refused("this address belongs to a member already", column="email", value=email)
    seed = secret_links.new_seed(secret_links.JOIN)
    with transaction.atomic():
        Site.objects.select_for_update().get(pk=site.pk)
        mine = Invitation.objects.filter(open_invitations(now), site=site)
        mine.filter(email__iexact=email).update(revoked_at=now)
        if mine.count() >= MOST_OPEN:
            raise Refused("too many invitations wait", accepted=f"at most {MOST_OPEN}; revoke some")
        made = Invitation.objects.create(
            site=site,
            email=email,
            role=role,
            secret_hash=secret_links.kept(seed),
            made_at=now,
            made_by=by.get_full_name() or by.get_username(),
            expires_at=now + LASTS,
        )
        want_letter("invitation", email, {"invitation": made, "occasion": str(made.pk)}, site, seed)
    return made


def revoke(invitation: Invitation, now: datetime) -> bool:
    """Let an invitation open nothing any more; return whether it did until now."""
    rows = Invitation.objects.filter(open_invitations(now), pk=invitation.pk)
    return rows.update(revoked_at=now) == 1


def opened_by(secret: str, now: datetime) -> Invitation | None:
    """Return the invitation of a secret, None where it opens nothing (any more)."""
    rows = Invitation.objects.filter(open_invitations(now), secret_hash=hash_of(secret))
    return rows.select_related("site").first()


@transaction.atomic
def join(invitation: Invitation, user: Any, now: datetime) -> Membership:
    """Make a user a member as the invitation says; of two who come at once the second finds it used.

    Raises
    ------
    Refused
        Where it was used or revoked meanwhile, or the user is a member already.
    """
    if Membership.objects.filter(site=invitation.site, user=user).exists():
        raise Refused("you are a member of this site already")
    _use(invitation, user, now)
    membership = Membership.objects.create(
        user=user, site=invitation.site, role=invitation.role, chosen_at=now
    )
    _tie_person(membership, invitation.email)
    return membership


@transaction.atomic
def join_as_new(invitation: Invitation, name: str, full_name: str, password: str, now: datetime) -> Any:
    """Make an account and join with it; return the new user.

    Raises
    ------
    django.core.exceptions.ValidationError
        By field, where a name is taken or a password too weak.
    Refused
        Where the invitation was used or revoked meanwhile.
    """
    model = get_user_model()
    first, _, last = full_name.rpartition(" ")
    user = model(username=name, email=invitation.email, first_name=first[:150], last_name=last[:150])
    user.set_unusable_password()
    wrong: dict[str, Any] = {}
    try:
        user.full_clean()
    except ValidationError as error:
        wrong |= {"username": error.messages}
    if model.objects.filter(username__iexact=name).exists():
        wrong["username"] = [TAKEN]
    try:
        validate_password(password, user)
    except ValidationError as error:
        wrong["password"] = error.messages
    if wrong:
        raise ValidationError(wrong)
    user.set_password(password)
    try:
        user.save()
    except IntegrityError:
        raise ValidationError({"username": [TAKEN]}) from None
    join(invitation, user, now)
    return user


def _use(invitation: Invitation, user: Any, now: datetime) -> None:
    rows = Invitation.objects.filter(open_invitations(now), pk=invitation.pk)
    if rows.update(used_at=now, used_by=user) != 1:
        raise Refused("this invitation is not open any more")


def _tie_person(membership: Membership, email: str) -> None:
    """Tie the person with the invited address to the new member; who works there and is unknown is added."""
    people = Person.objects.filter(site=membership.site, email__iexact=email)
    if person := people.filter(user=None).first():
        Person.objects.filter(pk=person.pk).update(user=membership.user, left_at=None)
    elif membership.role != Role.READER and not people.exists():
        Person.objects.create(
            site=membership.site,
            user=membership.user,
            name=_free_name(membership),
            email=email,
            role=membership.role,
        )


def _free_name(membership: Membership) -> str:
    user: Any = membership.user
    name: str = (user.get_full_name() or user.get_username())[:110]
    taken = set(Person.objects.filter(site=membership.site).values_list("name", flat=True))
    number, free = 2, name
    while free in taken:
        number, free = number + 1, f"{name} {number}"
    return free
