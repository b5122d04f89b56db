"""The limits on the door that is open to everybody."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.test import RequestFactory, override_settings

from fleet import throttle
from fleet.models import PublicPost
from tests import factories as make

NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


def ago(**span: float) -> datetime:
    return NOW - timedelta(**span)


def test_a_door_not_used_is_open():
    assert throttle.waiting([], "me", 1, NOW) == timedelta(0)


@pytest.mark.parametrize("limit", throttle.LIMITS, ids=lambda limit: limit.of)
def test_each_limit_shuts_when_full_and_opens_when_its_oldest_leaves_the_span(limit):
    # Others' rows on other instruments count for the site alone.
    sender = "me" if limit.of == "sender" else "other{}"
    on = {"sender": lambda n: 100 + n, "instrument": lambda n: 1, "site": lambda n: 100 + n}[limit.of]
    step = limit.span / (limit.most + 1)
    first = NOW - limit.span + step
    rows = [(first + step * n, sender.format(n), on(n)) for n in range(limit.most)]
    assert throttle.waiting(rows[1:], "me", 1, NOW) == timedelta(0)
    assert throttle.waiting(rows, "me", 1, NOW) == step
    assert throttle.waiting(rows, "me", 1, NOW + step) == timedelta(0)


def test_where_two_limits_are_full_the_longer_wait_counts():
    mine = [(ago(minutes=9), "me", 2)] * 12
    on_it = [(ago(minutes=15), "other", 1)] * 10
    assert throttle.waiting([*on_it, *mine], "me", 1, NOW) == timedelta(minutes=45)


@pytest.mark.parametrize(("seconds", "minutes"), [(1, 1), (60, 1), (61, 2), (599, 10)])
def test_the_wait_is_told_in_whole_minutes_rounded_up(seconds, minutes):
    assert throttle.TooMany(timedelta(seconds=seconds)).minutes == minutes


def hashed(address: str, passed: str = "") -> str:
    headers = {"HTTP_X_FORWARDED_FOR": passed} if passed else {}
    return throttle.sender_of(RequestFactory().get("/", REMOTE_ADDR=address, **headers))


def test_an_address_is_kept_only_as_a_keyed_hash():
    assert hashed("192.0.2.7") != hashed("192.0.2.8")
    assert "192" not in hashed("192.0.2.7")
    before = hashed("192.0.2.7")
    with override_settings(SECRET_KEY="another secret that is long enough"):
        assert hashed("192.0.2.7") != before


def test_all_addresses_of_one_house_count_as_one():
    # RFC 4291: the first 64 bits are the network, and ::ffff: is an address of the older kind.
    assert hashed("2001:db8:1:2::1") == hashed("2001:db8:1:2:ffff::9")
    assert hashed("2001:db8:1:2::1") != hashed("2001:db8:1:3::1")
    assert hashed("::ffff:192.0.2.7") == hashed("192.0.2.7")


def test_what_a_visitor_writes_about_himself_is_not_believed():
    assert hashed("192.0.2.7", "203.0.113.5") == hashed("192.0.2.7")
    with override_settings(PROXIES=1):
        assert hashed("10.0.0.1", "198.51.100.1, 203.0.113.5") == hashed("203.0.113.5")
    with override_settings(PROXIES=2):
        assert hashed("10.0.0.1", "198.51.100.1, 203.0.113.5, 10.0.0.2") == hashed("203.0.113.5")


def test_what_is_counted_is_forgotten_after_a_day(db):
    one = make.make_instrument(make.make_room(make.make_site()))
    for at in (ago(hours=25), ago(hours=23)):
        PublicPost.objects.create(site=one.site, instrument=one, sender="x", at=at)
    throttle.count(one, "me", NOW)
    throttle.forget_old(NOW)
    assert list(PublicPost.objects.order_by("at").values_list("at", flat=True)) == [ago(hours=23), NOW]
