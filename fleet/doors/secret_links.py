"""Secrets of links that go out by letter: drawn anew for each, and never stored in the clear.

A row keeps a hash of the secret, and the waiting letter keeps a seed. The secret comes from the seed and the
installation's key, so that whoever reads the database can open none of the doors it speaks of.
"""

from __future__ import annotations

import base64
import secrets

from django.conf import settings
from django.urls import reverse
from django.utils.crypto import salted_hmac

from fleet.ways_in import SECRET_BYTES, hash_of

# Stands in a stored letter where its link will be; nothing is ever found there (RFC 2606).
PLACE = "https://secret.invalid/"
JOIN, RESET = "join", "reset_password"


def new_seed(door: str) -> str:
    """Return a seed for a door, one of `JOIN` and `RESET`; kept in the letter alone."""
    return f"{door}:{secrets.token_urlsafe(SECRET_BYTES)}"


def secret_of(seed: str) -> str:
    """Return the secret that a seed stands for, 43 characters that may stand in an address."""
    digest = salted_hmac("fleet.doors.secret_links", seed, algorithm="sha256").digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def kept(seed: str) -> str:
    """Return what the row of a link keeps of its secret."""
    return hash_of(secret_of(seed))


def address_of(seed: str) -> str:
    """Return the whole address of a link."""
    door = seed.partition(":")[0]
    return settings.SITE_ADDRESS.rstrip("/") + reverse(door, args=[secret_of(seed)])
