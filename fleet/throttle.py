"""Limits on the door that is open to everybody: so many requests from one address, on one instrument, in all.

Only requests that are taken leave a row, so the table cannot grow beyond the limits, and whoever floods the
door is turned away after a few readings and no writing.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.http import HttpRequest
from django.utils.crypto import salted_hmac

from fleet.models import Instrument, PublicPost
from fleet.refusal import Refused

# A network of the newer addresses is one household or house, however many addresses it uses.
NETWORK_BITS = {4: 32, 6: 64}
KEPT_FOR = timedelta(days=1)

Row = tuple[datetime, str, int]


@dataclass(frozen=True)
class Limit:
    """So many requests within a span; `of` tells which rows count: sender, instrument or site."""

    of: str
    most: int
    span: timedelta


# Priors: a school's players often share one address, and one instrument seldom troubles so many in an hour.
LIMITS = (
    Limit("sender", 12, timedelta(minutes=10)),
    Limit("instrument", 10, timedelta(hours=1)),
    Limit("site", 60, timedelta(hours=1)),
)
LONGEST_SPAN = max(limit.span for limit in LIMITS)


class TooMany(Refused):
    """The door has been used too often; `wait` is how long it stays shut."""

    def __init__(self, wait: timedelta) -> None:
        self.wait = wait
        super().__init__(
            "too many reports within a short time", accepted=f"another try in {self.minutes} min"
        )

    @property
    def minutes(self) -> int:
        """The wait in whole minutes, at least one [min]."""
        return max(1, -(-int(self.wait.total_seconds()) // 60))


def sender_of(request: HttpRequest) -> str:
    """Return a keyed hash of the network a request came from."""
    return salted_hmac("fleet.throttle", _network(_address(request)), algorithm="sha256").hexdigest()


def network_of(request: HttpRequest) -> str | None:
    """Return the first address of the network a request came from, by which the lock of the login counts."""
    network, slash, _ = _network(_address(request)).partition("/")
    return network if slash else None


def _address(request: HttpRequest) -> str:
    """Return the address a request came from.

    Behind so many reverse proxies as `PROXIES` says, the address is the one that the outermost of them wrote
    down; what a visitor writes into that header stands further left and is not read.
    """
    address: str = request.META.get("REMOTE_ADDR", "")
    passed = [
        part.strip() for part in request.META.get("HTTP_X_FORWARDED_FOR", "").split(",") if part.strip()
    ]
    if settings.PROXIES and passed:
        address = passed[-min(settings.PROXIES, len(passed))]
    return address


def _network(address: str) -> str:
    try:
        known = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(known, ipaddress.IPv6Address) and known.ipv4_mapped:
        known = known.ipv4_mapped
    return str(ipaddress.ip_network((known, NETWORK_BITS[known.version]), strict=False))


def check(instrument: Instrument, sender: str, now: datetime) -> None:
    """Refuse a request where the limits are reached.

    Raises
    ------
    TooMany
        With the time after which there is room again.
    """
    rows = PublicPost.objects.filter(site=instrument.site_id, at__gt=now - LONGEST_SPAN)
    wait = waiting(
        rows.order_by("at").values_list("at", "sender", "instrument_id"), sender, instrument.pk, now
    )
    if wait > timedelta(0):
        raise TooMany(wait)


def waiting(rows: Iterable[Row], sender: str, instrument: int, now: datetime) -> timedelta:
    """Return how long until every limit has room, nothing where it has; rows by time."""
    rows = list(rows)
    wait = timedelta(0)
    counts = {
        "sender": [at for at, by, _ in rows if by == sender],
        "instrument": [at for at, _, on in rows if on == instrument],
        "site": [at for at, _, _ in rows],
    }
    for limit in LIMITS:
        times = [at for at in counts[limit.of] if at > now - limit.span]
        if len(times) >= limit.most:
            wait = max(wait, times[-limit.most] + limit.span - now)
    return wait


def count(instrument: Instrument, sender: str, now: datetime) -> None:
    """Note that a request was taken."""
    PublicPost.objects.create(site_id=instrument.site_id, instrument=instrument, sender=sender, at=now)


def forget_old(now: datetime) -> None:
    """Forget who sent what more than a day ago."""
    PublicPost.objects.filter(at__lt=now - KEPT_FOR).delete()
