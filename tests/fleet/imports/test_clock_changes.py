"""Local times on the days on which the clocks change, in three zones with three ways of changing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from fleet.models import ClimateReading, NoteRequest
from fleet.refusal import Refused
from tests.fleet.folders import take, write_folder

pytestmark = pytest.mark.django_db

# Dates of the changes and their sizes: IANA time zone database.
SPRING = {
    "Europe/Vienna": "2026-03-29",
    "America/New_York": "2026-03-08",
    "Australia/Lord_Howe": "2025-10-05",
}
AUTUMN = {
    "Europe/Vienna": "2026-10-25",
    "America/New_York": "2026-11-01",
    "Australia/Lord_Howe": "2026-04-05",
}


def walls(zone: str, day: str, minutes: int = 15) -> list[tuple[datetime, str]]:
    """Return instants over a local day and the time on the wall at each, as a logger writes it."""
    midnight = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    instants = [midnight + timedelta(minutes=minutes * step) for step in range(26 * 60 // minutes)]
    return [(instant, f"{instant.astimezone(ZoneInfo(zone)):%Y-%m-%dT%H:%M}") for instant in instants]


def folder(path, zone: str, rows: list[str]):
    return write_folder(
        path,
        site_csv=f"name,time_zone\nHaus Lindwald,{zone}\n",
        readings_csv="room,time,relative_humidity_percent,temperature_c\n" + "\n".join(rows) + "\n",
    )


def stored(room: str = "Saal") -> list[tuple[datetime, float]]:
    readings = ClimateReading.objects.filter(room__name=room).order_by("time")
    return [(time, round(rh * 1000)) for time, rh in readings.values_list("time", "rh")]


@pytest.mark.parametrize(("zone", "day"), [*SPRING.items(), *AUTUMN.items()])
@pytest.mark.parametrize("newest_first", [False, True])
def test_a_logger_that_writes_the_time_on_the_wall_is_understood_over_a_change(
    tmp_path, zone, day, newest_first
):
    told = walls(zone, day)
    rows = [f"Saal,{wall},{30 + number / 10:.1f},20" for number, (_, wall) in enumerate(told)]
    take(folder(tmp_path, zone, rows[::-1] if newest_first else rows))
    assert stored() == [(instant, 300 + number) for number, (instant, _) in enumerate(told)]


@pytest.mark.parametrize(("zone", "day"), AUTUMN.items())
def test_times_with_an_offset_need_no_order(tmp_path, zone, day):
    told = [instant.astimezone(ZoneInfo(zone)).isoformat() for instant, _ in walls(zone, day)]
    rows = [f"Saal,{text},{30 + number / 10:.1f},20" for number, text in enumerate(told)]
    take(folder(tmp_path, zone, rows[::3] + rows[1::3] + rows[2::3]))
    assert stored() == [(instant, 300 + number) for number, (instant, _) in enumerate(walls(zone, day))]


@pytest.mark.parametrize(
    ("zone", "skipped", "shown"),
    [
        ("Europe/Vienna", "2026-03-29T02:00", "2026-03-29T03:00"),
        ("Europe/Vienna", "2026-03-29T02:59:59", "2026-03-29T01:59:59"),
        ("America/New_York", "2026-03-08T02:30", "2026-03-08T03:00"),
        ("Australia/Lord_Howe", "2025-10-05T02:29", "2025-10-05T02:30"),
    ],
)
def test_a_time_that_the_clocks_skip_is_refused_and_those_beside_it_are_not(tmp_path, zone, skipped, shown):
    with pytest.raises(Refused, match="the clocks of the site skip this time") as caught:
        take(folder(tmp_path, zone, [f"Saal,{shown},40,20", f"A1,{skipped},40,20"]))
    reason = caught.value.parts[0]
    assert (reason.file, reason.line, reason.column) == ("readings.csv", 3, "time")
    assert not ClimateReading.objects.exists()
    take(folder(tmp_path, zone, [f"Saal,{shown},40,20"]))
    # The same time with its offset is an instant like any other.
    take(folder(tmp_path, zone, [f"A1,{skipped}+00:00,40,20"]))
    assert ClimateReading.objects.count() == 2


def test_the_rows_of_each_room_are_told_apart_for_themselves(tmp_path):
    rows = []
    for instant, wall in walls("Europe/Vienna", "2026-10-25", 30):
        for room in ("Saal", "A1"):
            rows.append(f"{room},{wall},{30 + instant.hour},20")
    take(folder(tmp_path, "Europe/Vienna", rows))
    for room in ("Saal", "A1"):
        assert [rh for _, rh in stored(room)] == [(30 + time.hour) * 10 for time, _ in stored(room)]
        assert len(stored(room)) == 52


def test_a_time_shown_three_times_is_two_readings_too_many(tmp_path):
    rows = [f"Saal,2026-10-25T02:30,{humidity},20" for humidity in (40, 41, 42)]
    with pytest.raises(
        Refused, match="another reading of this room and instant stands in readings.csv line 3"
    ):
        take(folder(tmp_path, "Europe/Vienna", rows))


def test_requests_in_a_repeated_hour_are_told_apart_by_their_order(tmp_path):
    rows = [f"G1,A4,buzz,2026-10-25T{wall}" for wall in ("02:15", "02:45", "02:30", "03:00")]
    take(write_folder(tmp_path, requests_csv="\n".join(["instrument,notes,symptom,made_at", *rows, ""])))
    made = NoteRequest.objects.order_by("made_at").values_list("made_at", flat=True)
    assert [f"{time:%H:%M}" for time in made] == ["00:15", "00:45", "01:30", "02:00"]
