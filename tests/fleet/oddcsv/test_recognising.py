"""Odd files recognised: encodings, delimiters, units, dates; what cannot be told is left to be asked."""

from __future__ import annotations

import codecs
import csv
import io
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.local_time import DAY, HOUR, day_number, instant_of, micros
from fleet.models.air import COLDEST_C, HOTTEST_C
from fleet.oddcsv import reading
from fleet.oddcsv.choices import choices_of, missing_in
from fleet.oddcsv.meaning import recognise
from fleet.oddcsv.numbers import plain_number, read_number
from fleet.oddcsv.reading import OddReader
from fleet.oddcsv.stamps import StampReader, clock_of, day_of, orders_of_all
from fleet.refusal import AllRefused, Refused

VIENNA = ZoneInfo("Europe/Vienna")
FAR = micros(datetime(2100, 1, 1, tzinfo=UTC))


@pytest.fixture
def written(tmp_path):
    """Write a file and return its path."""

    def write(text: str | bytes, encoding: str = "utf-8"):
        path = tmp_path / "odd.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


def read(path, **said):
    """Return (instants, °C, fractions) and the reader of a file as it is recognised, or said otherwise."""
    choices = recognise(path).choices.changed(**said)
    reader = OddReader(path, choices, VIENNA, FAR)
    rows = []
    for batch in reader.batches():
        instants = list(zip(batch.line.tolist(), batch.time.tolist(), strict=True))
        rows += zip(instants, batch.temp_c.tolist(), batch.rh.tolist(), strict=True)
    reader.finish()
    times = reader.instants(np.array([r[0][0] for r in rows]), np.array([r[0][1] for r in rows]))
    return [(instant_of(t), c, h) for t, (_, c, h) in zip(times, rows, strict=True)], reader


NOON = datetime(2026, 11, 25, 11, tzinfo=UTC)  # 12:00 on Vienna's wall in winter
FILES = {
    "plain": "time,temperature (C),humidity (%)\n2026-11-25 12:00,20.5,41.5\n",
    "comma and semicolon": "Zeitpunkt;Temperatur [°C];rel. Feuchte [%]\n25.11.2026 12:00:00;20,5;41,5\n",
    "two columns, a preamble and twelve hours": (
        "Logger 4711\nFirmware 2\n\nDate\tTime\tTemp (°F)\tRH (%)\tDew point (°F)\n"
        "11/25/2026\t12:00 PM\t68.9\t41.5\t44.8\n"
    ),
    "a name for the month, a fraction, units in cells": (
        "#|Timestamp|Humidity 0-1|Temp\n1|25 Nov 2026 12:00|0.415|20.5 °C\n"
    ),
    "an offset and empty cells at the end": (
        "created,rh %,air temp c,,\n2026-11-25T13:00:00+02:00,41.5,20.5,,\n"
    ),
    "seconds from 1970": "unix time,temp_c,rh_percent\n1795604400,20.5,41.5\n",
    "a zone in the header": "Date Time (GMT+02:00),Temp °C,RH %\n2026/11/25 13:00,20.5,41.5\n",
    "packed": "stamp;celsius;%RH\n20261125T120000;20.5;41.5\n",
}


@pytest.mark.parametrize("name", FILES)
def test_the_same_reading_is_read_from_every_style(written, name):
    found, _ = read(written(FILES[name]))
    assert found == [(NOON, pytest.approx(20.5, abs=1e-9), 0.415)]


@pytest.mark.parametrize(
    "encode",
    [
        lambda text: text.encode("utf-8"),
        lambda text: codecs.BOM_UTF8 + text.encode("utf-8"),
        lambda text: text.encode("utf-16"),
        lambda text: codecs.BOM_UTF16_BE + text.encode("utf-16-be"),
        lambda text: text.encode("utf-16-le"),
        lambda text: text.encode("utf-16-be"),
        lambda text: text.encode("latin-1"),
        lambda text: text.replace("\n", "\r\n").encode("latin-1"),
        lambda text: text.replace("\n", "\r").encode("utf-8"),
    ],
)
def test_the_same_reading_is_read_from_every_encoding(written, encode):
    found, _ = read(written(encode(FILES["comma and semicolon"])))
    assert found == [(NOON, 20.5, 0.415)]


def test_a_date_that_could_be_two_is_asked_not_guessed(written):
    path = written("time,temp c,rh %\n03/04/2027 08:00,20,40\n04/04/2027 08:00,20,41\n")
    seen = recognise(path)
    assert (seen.choices.order, seen.orders) == ("", ("dmy", "mdy"))
    assert missing_in(seen.choices)[0][0] == "order"
    with pytest.raises(Refused, match="order"):
        OddReader(path, seen.choices, VIENNA, FAR)
    assert [read(path, order=order)[0][0][0].month for order in ("dmy", "mdy")] == [4, 3]


def test_a_later_date_tells_day_from_month(written):
    rows = "".join(f"{day:02}/04/2027 08:00,20,40\n" for day in range(1, 14))
    assert recognise(written(f"time,temp c,rh %\n{rows}")).choices.order == "dmy"


def test_the_header_tells_day_from_month(written):
    assert (
        recognise(written("Date (MM/DD/YYYY),Time,T °C,RH %\n03/04/2027,08:00,20,40\n")).choices.order
        == "mdy"
    )


@pytest.mark.parametrize(
    ("header", "cells", "asked"),
    [
        ("time,temp,humidity", "2026-11-25 12:00,20.5,0.9", {"humidity"}),
        ("time,temp,rh %", "2026-11-25 12:00,50,40", {"temperature"}),
        ("time,temp 1,temp 2,rh %", "2026-11-25 12:00,20,21,40", {"temperature"}),
        ("time,V1,V2", "2026-11-25 12:00,20,40", {"temperature", "humidity"}),
        ("begin,end,temp,rh %", "2026-11-25 12:00,2026-11-25 12:05,20,40", {"time"}),
    ],
)
def test_units_and_columns_that_cannot_be_told_are_asked(written, header, cells, asked):
    assert {name for name, _ in missing_in(recognise(written(f"{header}\n{cells}\n")).choices)} == asked


def test_dew_point_and_flags_are_not_taken_for_the_air(written):
    path = written(
        "time,Dew-point (C),Dry-bulb (C),Dry-bulb source,RHum (%),RHum uncert (code)\n"
        "2026-11-25 01:00,5,20,1,40,9\n"
    )
    assert recognise(path).choices.meanings == (
        "stamp",
        "ignore",
        "temperature_c",
        "ignore",
        "humidity_percent",
        "ignore",
    )


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\n\n",
        b"one column\n1\n2\n",
        b"a,b\nx,y\n",
        b"time,temp c,rh %\n",
        b"a\0b,c\n1,2\n",
        b"\xff\xfe\x00\xd8",
        b"\xff\xfe",
    ],
)
def test_what_is_no_table_is_refused_with_what_would_be(written, content):
    with pytest.raises(Refused) as refused:
        recognise(written(content))
    assert refused.value.accepted


BAD_ROWS = {
    "2026-11-25 12:00,20,140": ("rh %", "140"),
    "2026-11-25 12:00,99,40": ("temp c", "99"),
    "2026-11-25 12:00,,40": ("temp c", ""),
    "2026-11-25 12:00,20,4O": ("rh %", "4O"),
    "2026-11-25 12:00,20,40,50": (None, "2026-11-25 12:00,20,40,50"),
    "yesterday,20,40": ("time", "yesterday"),
    "20²6-11-25 12:00,20,40": ("time", "20²6-11-25 12:00"),
    "2026-11-25 12:00,20,4²": ("rh %", "4²"),
    "2026-11-31 12:00,20,40": ("time", "2026-11-31 12:00"),
    "2026-03-29 02:30,20,40": ("time", "2026-03-29 02:30:00"),
    "2199-01-01 12:00,20,40": ("time", "2199-01-01 12:00:00"),
    "2026-11-25 12:00+01:00,20,40": ("time", "2026-11-25 12:00+01:00"),
}


@pytest.mark.parametrize("row", BAD_ROWS)
def test_a_line_that_cannot_be_taken_is_named_with_its_value(written, row):
    good = "".join(f"2026-11-24 {hour:02}:00,20,{40 + hour}\n" for hour in range(20))
    path = written(f"time,temp c,rh %\n{good}\n{row}\n")
    with pytest.raises(AllRefused) as refused:
        read(path)
    (reason,) = refused.value.parts
    assert (reason.line, reason.column, reason.value) == (23, *BAD_ROWS[row])
    assert reason.accepted


def test_a_line_of_reasons_stays_one_line_whatever_the_header_holds(written):
    """U+0085 ends a line to whoever shows the text, though not to the file."""
    path = written("time,temp c,rh\x85 %\n2026-11-25 12:00,20,140\n")
    with pytest.raises(AllRefused) as refused:
        read(path)
    assert len(str(refused.value).splitlines()) == 1


def test_lines_without_any_value_are_left_out_and_lines_with_one_only_where_that_was_said(written):
    good = "".join(f"2026-11-24 {hour:02}:00,20,{40 + hour}\n" for hour in range(20))
    path = written(f"time,temp c,rh %\n{good}logger stopped,,\n2026-11-25 13:00,---,41\n")
    with pytest.raises(AllRefused, match="line 23"):
        read(path)
    found, reader = read(path, leave_out=True)
    assert (len(found), reader.left_out) == (20, 2)


def test_midnight_may_be_the_end_of_a_day(written):
    found, _ = read(written("Date,Time,temp c,rh %\n2026-11-25,24:00,20,40\n2026-11-26,01:00,20,40\n"))
    assert [row[0] for row in found] == [NOON + timedelta(hours=12), NOON + timedelta(hours=13)]


@pytest.mark.parametrize("turned", [False, True])
def test_the_repeated_hour_is_told_apart_by_the_order_of_the_rows(written, monkeypatch, turned):
    """Vienna, 25 October 2026: 03:00 summer time becomes 02:00; half hours of UTC, in batches of 3 rows."""
    monkeypatch.setattr("fleet.oddcsv.text.CHUNK", 3)
    monkeypatch.setattr("fleet.oddcsv.text.parts.__defaults__", (3,))
    first = datetime(2026, 10, 24, 22, tzinfo=UTC)
    times = [first + timedelta(minutes=30 * n) for n in range(12)]
    rows = [f"{time.astimezone(VIENNA):%Y-%m-%d %H:%M},20,{40 + n}" for n, time in enumerate(times)]
    path = written("time,temp c,rh %\n" + "\n".join(reversed(rows) if turned else rows))
    assert sorted(row[0] for row in read(path)[0]) == times


def test_another_clock_is_believed_where_it_is_chosen(written):
    path = written("time,temp c,rh %\n2026-07-01 12:00,20,40\n")
    hours = {clock: read(path, clock=clock)[0][0][0].hour for clock in ("site", "utc", "+01:00", "-05:00")}
    assert hours == {"site": 10, "utc": 12, "+01:00": 11, "-05:00": 17}


def test_the_bounds_are_those_of_a_stored_reading():
    assert (reading.COLDEST_C, reading.HOTTEST_C) == (COLDEST_C, HOTTEST_C)


@pytest.mark.parametrize(
    "said", [{}, {"encoding": "x"}, {"meanings": ["x"]}, {"header_line": 0}, {"clock": "x"}]
)
def test_choices_of_whatever_origin_are_checked(said):
    good = {"encoding": "utf-8", "delimiter": ",", "header_line": 1, "meanings": ["stamp"]}
    assert choices_of(good).document()["meanings"] == ["stamp"]
    with pytest.raises(Refused):
        choices_of({**good, **said} if said else {})


def test_odd_files_are_read_where_django_cannot_be_imported():
    program = "import sys; sys.modules['django'] = None; import fleet.oddcsv.meaning, fleet.oddcsv.reading"
    root = Path(__file__).resolve().parents[3]
    done = subprocess.run([sys.executable, "-c", program], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


# What holds for any date, number and table


@given(st.dates(date(1970, 1, 1), date(2099, 12, 31)), st.sampled_from("-/. "))
def test_a_date_reads_back_in_the_order_in_which_it_was_written(day, mark):
    for order, parts in (("ymd", "%Y %m %d"), ("dmy", "%d %m %Y"), ("mdy", "%m %d %Y"), ("dmy", "%d %b %Y")):
        assert day_of(day.strftime(parts.replace(" ", mark)), order) == day_number(day)


@given(st.lists(st.dates(date(2001, 1, 1), date(2099, 12, 31)), min_size=1, max_size=5))
def test_the_order_of_writing_is_among_those_that_fit(days):
    for order, style in (("dmy", "%d/%m/%Y"), ("mdy", "%m/%d/%Y")):
        texts = [day.strftime(style) for day in days]
        fitting = orders_of_all(texts)
        same = all(day_of(text, "dmy") == day_of(text, "mdy") for text in texts)
        assert order in fitting or same
        assert fitting <= {"dmy", "mdy"}


@given(st.times())
def test_a_time_of_day_reads_back_with_24_and_with_12_hours(time):
    us = micros(datetime.combine(date(1970, 1, 1), time))
    assert clock_of(time.isoformat()) == us
    assert clock_of(time.replace(microsecond=0).strftime("%I:%M:%S %p")) == us // 1_000_000 * 1_000_000


@given(
    st.decimals(-999, 999, places=3), st.sampled_from(".,"), st.sampled_from(["", " °C", "%", " %RH", "F"])
)
def test_a_number_reads_back_with_its_mark_and_unit(value, mark, unit):
    text = f"{value}".replace(".", mark) + unit
    assert read_number(text, mark) == float(value)
    assert plain_number(text)
    with pytest.raises(ValueError, match="decimal"):
        read_number(text, "," if mark == "." else ".")


@given(st.datetimes(datetime(2000, 1, 1), datetime(2030, 1, 1)), st.integers(-12, 14))
def test_an_offset_gives_the_instant(local, hours):
    local = local.replace(microsecond=0)
    text = f"{local.isoformat()}{hours:+03d}:00"
    assert StampReader("ymd").read(text) == (micros(local) - hours * HOUR, hours * HOUR)
    assert DAY == 24 * HOUR


TEXT = st.text(st.characters(codec="latin-1", exclude_characters="\0\r\n"), max_size=12)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(
    rows=st.lists(
        st.tuples(
            st.datetimes(datetime(2020, 1, 1), datetime(2026, 1, 1)),
            st.decimals(15, 30, places=2),
            st.decimals(20, 80, places=1),
            TEXT,
        ),
        min_size=1,
        max_size=8,
    ),
    delimiter=st.sampled_from(",;\t|"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    mark=st.sampled_from(".,"),
)
def test_any_table_written_by_a_csv_library_is_read_to_the_digit(written, rows, delimiter, encoding, mark):
    rows = [(time.replace(microsecond=0), *rest) for time, *rest in rows]
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(["time", "note", "temp °C", "RH %"])
    for time, degrees, damp, note in rows:
        cells = [str(value).replace(".", mark) for value in (degrees, damp)]
        writer.writerow([time.isoformat(sep=" "), f"n {note}", *cells])
    found, _ = read(written(out.getvalue(), encoding), clock="utc", decimal=mark)
    assert found == [
        (time.replace(tzinfo=UTC), float(degrees), float(damp.scaleb(-2))) for time, degrees, damp, _ in rows
    ]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150, deadline=None)
@given(content=st.binary(max_size=200))
def test_any_bytes_are_recognised_or_refused(written, content):
    path = written(content)
    try:
        seen = recognise(path)
    except Refused:
        return
    assert len(seen.choices.meanings) == len(seen.header)
