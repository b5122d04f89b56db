"""What a user changes about an account, and the letter that tells of it."""

from __future__ import annotations

from typing import Any

from django.db import transaction

from fleet.doors import second_factor, sign_ins
from fleet.signals import want_letter


def describe(user: Any, full_name: str, email: str) -> None:
    """Store how others read a user's name, and the address that links for a new password go to."""
    first, _, last = full_name.rpartition(" ")
    user.first_name, user.last_name, user.email = first[:150], last[:150], email
    user.save(update_fields=["first_name", "last_name", "email"])


def set_second_factor(user: Any, code: str, own_key: str | None) -> list[str]:
    """Let the login ask for the device from now on, and end sessions that began without it.

    Raises
    ------
    fleet.doors.second_factor.WrongCode
        Where the code is not what the device shows.
    """
    codes = second_factor.confirm(user, code)
    sign_ins.end_others(user, own_key)
    _tell(user, "factor_set")
    return codes


@transaction.atomic
def take_off_second_factor(user: Any) -> None:
    """Let the password alone open the login."""
    if second_factor.take_off(user):
        _tell(user, "factor_off")


def _tell(user: Any, what: str) -> None:
    if user.email:
        want_letter("account", user.email, {"user": user, "what": what})
