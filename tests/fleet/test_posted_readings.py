"""Readings that loggers post: a secret opens the door, every line is answered, good ones are not lost."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import ways_in
from fleet.models import ClimateDay, ClimateReading, WayIn
from tests import factories as make

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
LINE = {
    "room": "Elm Hall",
    "time": "2026-11-25T08:15:00+01:00",
    "relative_humidity_percent": 45.1,
    "temperature_c": 20.6,
}


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def hall():
    return make.make_room(make.make_site("Brackwater Conservatory"), "Elm Hall")


@pytest.fixture
def secret(hall):
    return ways_in.make_way_in(hall.site, "logger 7", None, None, NOW)[1]


def post(client, secret, body, kind="application/json", status=200):
    body = body if isinstance(body, str | bytes) else json.dumps(body)
    answer = client.post(
        "/api/readings", body, content_type=kind, headers={"Authorization": f"Bearer {secret}"}
    )
    assert answer.status_code == status, answer.content
    return answer.json()


def words(document) -> list[str]:
    return [line["answer"] for line in document["lines"]]


def test_a_reading_is_stored_as_it_was_written_with_its_day(client, hall, secret):
    assert post(client, secret, [LINE]) == {
        "stored": 1,
        "same": 0,
        "refused": 0,
        "doubtful": 0,
        "lines": [{"line": 1, "answer": "stored"}],
    }
    row = ClimateReading.objects.get()
    assert (row.room, row.time) == (hall, datetime(2026, 11, 25, 7, 15, tzinfo=UTC))
    assert (row.rh, row.temp_c, row.source) == (0.451, 20.6, "logger 7")
    assert ClimateDay.objects.get().rh_mean == 0.451


def test_the_same_again_is_the_same_and_another_value_replaces_it(client, hall, secret):
    post(client, secret, [LINE])
    assert words(post(client, secret, [LINE])) == ["same"]
    changed = post(client, secret, [{**LINE, "relative_humidity_percent": "47"}])
    assert changed["lines"] == [{"line": 1, "answer": "stored", "replaced": True}]
    assert ClimateReading.objects.get().rh == 0.47
    way_in = WayIn.objects.get()
    assert (way_in.readings_taken, way_in.last_used_at) == (2, NOW)


def test_bad_lines_are_named_and_good_ones_taken(client, hall, secret):
    lines = [
        LINE,
        {**LINE, "relative_humidity_percent": 145},
        {**LINE, "room": "Nowhere"},
        {**LINE, "time": "25.11.2026 08:15"},
        {**LINE, "temperature_f": 70},
        {name: value for name, value in LINE.items() if name != "temperature_c"},
        {**LINE, "humidity": 3},
        {**LINE, "time": "2026-11-27T08:15:00+01:00"},
        {**LINE, "temperature_c": None},
        {**LINE, "temperature_c": True},
        {**LINE, "source": "a\u0000b"},
        {**LINE, "source": "\ud800"},
        "no object",
        {**LINE, "temperature_c": 21},
        {**LINE, "temperature_c": "NaN", "time": "2026-11-25T07:15:00+01:00"},
    ]
    document = post(client, secret, lines)
    assert words(document) == ["stored"] + ["refused"] * 14
    assert ClimateReading.objects.count() == 1
    second = document["lines"][1]
    assert (second["line"], second["column"], second["value"]) == (2, "relative_humidity_percent", "145")
    assert "at most 100" in second["accepted"]
    columns = [line.get("column") for line in document["lines"][2:]]
    assert columns == [
        "room",
        "time",
        "temperature_f",
        "temperature_c",
        "humidity",
        "time",
        "temperature_c",
        "temperature_c",
        "source",
        "source",
        None,
        "time",
        "temperature_c",
    ]
    assert all(line["accepted"] for line in document["lines"][1:])


def test_where_no_line_is_good_the_status_says_so(client, hall, secret):
    assert words(post(client, secret, [{**LINE, "room": "Nowhere"}], status=422)) == ["refused"]
    assert post(client, secret, [])["lines"] == []


def test_csv_has_the_columns_of_the_folder_and_lines_as_an_editor_counts_them(client, hall, secret):
    text = (
        "\ufeffroom,time,relative_humidity_percent,temperature_f\r\n"
        "Elm Hall,2026-11-25T08:00,41.5,69.8\r\n"
        "\r\n"
        "Elm Hall,2026-11-25T08:15,41.6\r\n"
        "Elm Hall,2026-11-25T08:15,-1,70\r\n"
        "Elm Hall,2026-11-25T08:00,41.5,69.8\r\n"
    )
    document = post(client, secret, text, "text/csv; charset=utf-8")
    assert [(line["line"], line["answer"]) for line in document["lines"]] == [
        (2, "stored"),
        (4, "refused"),
        (5, "refused"),
        (6, "same"),
    ]
    row = ClimateReading.objects.get()
    assert row.time == datetime(2026, 11, 25, 7, tzinfo=UTC)  # local winter time, an hour ahead
    assert row.temp_c == pytest.approx(21.0, abs=1e-9)  # 69.8 °F by the definition of the scale


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        ("[", "application/json", 400),
        ("[" * 100_000, "application/json", 400),
        ('"text"', "application/json", 400),
        (b"\xff\xfe", "application/json", 400),
        ("room,time\n", "text/csv", 400),
        ("room,time,relative_humidity_percent,temperature_c,extra\n", "text/csv", 400),
        ('room,time,relative_humidity_percent,temperature_c\n"', "text/csv", 400),
        ("\n", "text/csv", 400),
        ("x", "text/plain", 415),
        (" " * 2_000_001, "text/csv", 413),
        ("[" + "{}," * 10_000 + "{}]", "application/json", 400),
    ],
)
def test_a_body_that_cannot_be_read_stores_nothing_and_says_what_is_accepted(
    client, hall, secret, body, kind, status
):
    document = post(client, secret, body, kind, status)
    assert document["message"]
    assert document["accepted"]
    assert not ClimateReading.objects.exists()


@pytest.mark.parametrize("header", [None, "Bearer wrong", "Basic abc", "Bearer"])
def test_without_a_secret_the_door_stays_shut(client, hall, secret, header):
    headers = {"Authorization": header} if header else {}
    answer = client.post("/api/readings", "[]", content_type="application/json", headers=headers)
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")


def test_a_revoked_secret_opens_nothing(client, hall, secret):
    way_in = WayIn.objects.get()
    assert ways_in.revoke(way_in, NOW)
    assert not ways_in.revoke(way_in, NOW + timedelta(days=1))
    post(client, secret, [LINE], status=401)


def test_a_secret_opens_its_own_site_or_room_and_no_other(client, hall, secret):
    other = make.make_room(make.make_site("Another School"), "Attic")
    make.make_room(hall.site, "Lark Studio")
    assert words(post(client, secret, [{**LINE, "room": "Attic"}], status=422)) == ["refused"]
    secret = ways_in.make_way_in(hall.site, "in the hall", hall, None, NOW)[1]
    of_room = {name: value for name, value in LINE.items() if name != "room"}
    assert words(post(client, secret, [of_room, {**LINE, "room": "Lark Studio"}])) == ["stored", "refused"]
    assert ClimateReading.objects.get().room == hall
    assert not ClimateDay.objects.filter(room=other).exists()


def test_only_a_hash_is_kept(hall, secret):
    assert len(secret) == 43  # 32 bytes in base64 without padding, RFC 4648
    assert secret not in json.dumps(list(WayIn.objects.values()), default=str)


def test_too_many_requests_in_a_minute_wait(client, hall, secret):
    WayIn.objects.update(minute_began_at=NOW - timedelta(seconds=30), minute_requests=59)
    post(client, secret, [LINE])
    post(client, secret, [LINE], status=429)
    WayIn.objects.update(minute_began_at=NOW - timedelta(seconds=60))
    post(client, secret, [LINE])


def in_autumn(*clock_times: str) -> list[dict]:
    """Lines in local time of Sunday 25 October 2026, when Vienna's clocks show 02:00 to 02:59 twice."""
    return [
        {**LINE, "time": f"2026-10-25T{time}", "temperature_c": 20 + n / 10}
        for n, time in enumerate(clock_times)
    ]


def test_an_hour_that_the_clocks_repeat_is_told_apart_by_the_order_of_the_lines(client, hall, secret):
    post(client, secret, in_autumn("01:30", "02:00", "02:30", "02:00", "02:30", "03:00"))
    times = ClimateReading.objects.order_by("time").values_list("time", flat=True)
    first = datetime(2026, 10, 24, 23, 30, tzinfo=UTC)
    assert list(times) == [first + timedelta(minutes=30 * n) for n in range(6)]


def test_where_the_order_cannot_tell_the_hour_apart_the_offset_is_asked_for(client, hall, secret):
    document = post(client, secret, in_autumn("02:30", "03:00"))
    assert words(document) == ["refused", "stored"]
    assert "twice" in document["lines"][0]["message"]
    assert "offset" in document["lines"][0]["accepted"]
    skipped = [{**LINE, "time": "2026-03-29T02:30"}]  # Vienna's clocks go from 02:00 to 03:00
    assert "skip" in post(client, secret, skipped, status=422)["lines"][0]["message"]


def test_a_doubtful_reading_is_kept_and_counted(client, hall, secret):
    lines = [
        {**LINE, "time": f"2026-11-25T{8 + n // 4:02}:{15 * (n % 4):02}", "relative_humidity_percent": rh}
        for n, rh in enumerate([40, 40.5, 95, 40.2])
    ]
    assert post(client, secret, lines)["doubtful"] == 1
    assert ClimateReading.objects.get(doubt="jump").rh == 0.95


# The page


def test_the_secret_is_shown_once_and_opens_the_door(client, hall):
    client.force_login(make.make_user(hall.site))
    page = client.post("/ways-in/", {"name": "logger 9", "room": str(hall.pk)})
    secret = page.context["secret"]
    assert secret in page.content.decode()
    assert secret not in client.get("/ways-in/").content.decode()
    post(client, secret, [LINE])
    assert "25 Nov 2026, 09:00" in client.get("/ways-in/").content.decode()


def test_revoking_on_the_page_shuts_the_door(client, hall, secret):
    client.force_login(make.make_user(hall.site))
    way_in = WayIn.objects.get()
    assert client.post(f"/ways-in/{way_in.pk}/revoke/").url == "/ways-in/"
    assert "revoked 25 Nov 2026" in client.get("/ways-in/").content.decode()
    post(client, secret, [LINE], status=401)


def test_readers_read_strangers_find_nothing_and_a_nameless_way_in_is_refused(client, hall, secret):
    way_in = WayIn.objects.get()
    revoke = f"/ways-in/{way_in.pk}/revoke/"
    assert client.get("/ways-in/").status_code == 302
    for user, read, make_one, shut in (
        (make.make_user(hall.site, "reader"), 200, 403, 403),
        (make.make_user(make.make_site("Another School")), 200, 200, 404),
        (make.make_user(), 404, 404, 404),
    ):
        client.force_login(user)
        assert client.get("/ways-in/").status_code == read
        assert client.post("/ways-in/", {"name": "mine"}).status_code == make_one
        assert client.post(revoke).status_code == shut
        assert client.get(revoke).status_code == 405 or read == 404
    way_in.refresh_from_db()
    assert way_in.revoked_at is None
    client.force_login(make.make_user(hall.site))
    assert client.post("/ways-in/", {"name": " "}).status_code == 400
    other = make.make_room(make.make_site(), "Attic")
    assert client.post("/ways-in/", {"name": "x", "room": str(other.pk)}).status_code == 404


def test_the_page_asks_as_often_for_many_ways_in(client, hall):
    client.force_login(make.make_user(hall.site))
    asked = []
    for _ in range(2):
        for n in range(20 * len(asked) + 1):
            ways_in.make_way_in(hall.site, f"logger {n}", hall, None, NOW)
        with CaptureQueriesContext(connection) as seen:
            client.get("/ways-in/")
        asked.append(len(seen))
    assert asked[0] == asked[1]
