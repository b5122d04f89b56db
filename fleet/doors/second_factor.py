"""The second factor of a login: six figures from a program that shares a secret (RFC 6238), or a code kept.

The mathematics, the guard against a figure used twice and the growing wait after wrong ones are django-otp's.
"""

from __future__ import annotations

import base64
import math
import re
import secrets
from datetime import timedelta
from typing import Any

import segno
from django.contrib.auth import get_user_model
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.crypto import salted_hmac
from django_otp.plugins.otp_static.models import StaticDevice, StaticToken
from django_otp.plugins.otp_totp.models import TOTPDevice

from fleet.refusal import Refused

NAME = "authenticator"
SPARE_CODES = 10
FIGURES = re.compile(r"\d{6}")
# Without letters and figures that are taken for each other; ten of them are 49 bits.
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
CODE_LENGTH = 10


class WrongCode(Refused):
    """A code that opens nothing; `wait` is the time before the next one is looked at."""

    def __init__(self, wait: timedelta) -> None:
        self.wait = wait
        super().__init__("that code is not right", accepted="the figures shown now, or a spare code not used")

    @property
    def seconds(self) -> int:
        """The wait in whole seconds."""
        return max(0, math.ceil(self.wait.total_seconds()))


def has_one(user: Any) -> bool:
    """Return whether the user's login asks for a second factor."""
    return bool(TOTPDevice.objects.filter(user=user, confirmed=True).exists())


def who_has_one(users: QuerySet[Any]) -> set[int]:
    """Return the numbers of those users whose login asks for a second factor."""
    rows = TOTPDevice.objects.filter(user__in=users, confirmed=True)
    return set(rows.values_list("user_id", flat=True))


def begin(user: Any) -> TOTPDevice:
    """Return the device being set up, a new one where there is none; it counts once it is confirmed."""
    with transaction.atomic():
        _lock(user)
        if has_one(user):
            raise Refused("there is a second factor already", accepted="taking it off first")
        device = TOTPDevice.objects.filter(user=user, confirmed=False).first()
        return device or TOTPDevice.objects.create(user=user, name=NAME, confirmed=False)


def leave(user: Any) -> None:
    """Give up setting a device up."""
    TOTPDevice.objects.filter(user=user, confirmed=False).delete()


def waiting_device(user: Any) -> TOTPDevice | None:
    """Return the device being set up, None where none is."""
    return TOTPDevice.objects.filter(user=user, confirmed=False).first()


def drawing(device: TOTPDevice) -> str:
    """Return the code to photograph as inline SVG without a size of its own."""
    drawn = segno.make(device.config_url, error="m", micro=False)
    return str(drawn.svg_inline(omitsize=True, border=4, svgclass="segno", lineclass="qr"))


def secret_in_groups(device: TOTPDevice) -> str:
    """Return the shared secret as it is typed where nothing can be photographed."""
    text = base64.b32encode(device.bin_key).decode().rstrip("=")
    return " ".join(text[start : start + 4] for start in range(0, len(text), 4))


def confirm(user: Any, code: str) -> list[str]:
    """Let the device count from now on; return the spare codes, which nobody can read again.

    Raises
    ------
    WrongCode
        Where the figures are not those the device shows.
    """
    with transaction.atomic():
        _lock(user)
        device = TOTPDevice.objects.select_for_update().filter(user=user, confirmed=False).first()
        if device is None:
            raise Refused("no second factor is being set up", accepted="beginning anew")
        if right := device.verify_token(_plain(code)):
            TOTPDevice.objects.filter(pk=device.pk).update(confirmed=True)
            return new_spare_codes(user)
    assert not right
    raise WrongCode(_wait([device]))


def new_spare_codes(user: Any) -> list[str]:
    """Make new spare codes in place of all older ones and return them; hashes of them are kept."""
    codes = ["".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH)) for _ in range(SPARE_CODES)]
    with transaction.atomic():
        device, _ = StaticDevice.objects.get_or_create(user=user, defaults={"name": "spare codes"})
        device.token_set.all().delete()
        StaticToken.objects.bulk_create(StaticToken(device=device, token=_kept(code)) for code in codes)
    return [f"{code[:5]}-{code[5:]}" for code in codes]


def spare_codes_left(user: Any) -> int:
    """Return how many spare codes are not used yet."""
    return int(StaticToken.objects.filter(device__user=user).count())


def check(user: Any, code: str) -> None:
    """Take a code; whoever tries many waits longer after each.

    Raises
    ------
    WrongCode
        With the wait before the next one is looked at.
    """
    plain = _plain(code)
    with transaction.atomic():
        figures = FIGURES.fullmatch(plain)
        table: Any = TOTPDevice if figures else StaticDevice
        devices = list(table.objects.select_for_update().filter(user=user, confirmed=True))
        right = any(device.verify_token(plain if figures else _kept(plain)) for device in devices)
    if not right:
        raise WrongCode(_wait(devices))


def take_off(user: Any) -> bool:
    """Let the password alone open the login again; return whether there was a second factor."""
    with transaction.atomic():
        had = has_one(user)
        TOTPDevice.objects.filter(user=user).delete()
        StaticDevice.objects.filter(user=user).delete()
    return had


def _lock(user: Any) -> None:
    """Let one set-up of a user wait for the other, so that two at once make one device."""
    get_user_model().objects.select_for_update().get(pk=user.pk)


def _plain(code: str) -> str:
    return re.sub(r"[\s\-]+", "", code.replace("\0", "")).lower()[:40]


def _kept(code: str) -> str:
    """Return what is kept of a spare code: 80 bits, made with the installation's key."""
    digest = salted_hmac("fleet.doors.second_factor", code, algorithm="sha256").digest()
    return base64.b32encode(digest[:10]).decode()


def _wait(devices: list[Any]) -> timedelta:
    waits = [timedelta(0)]
    for device in devices:
        allowed, said = device.verify_is_allowed()
        if not allowed and said and (until := said.get("locked_until")):
            waits.append(until - timezone.now())
    return max(waits)
