"""Damaged folders: each is refused with its place and what is accepted, and nothing is stored."""

from __future__ import annotations

import pytest

from fleet.refusal import AllRefused, Refused
from tests.fleet.folders import FILES, replaced, row_counts, take, write_folder

pytestmark = pytest.mark.django_db

READINGS = FILES["readings.csv"]
HEAD = READINGS.splitlines()[0] + "\n"
SERVICES = FILES["services.csv"]


def readings(*rows: str, head: str = HEAD) -> str:
    return head + "".join(f"{row}\n" for row in rows)


def event(*properties: str) -> str:
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", "BEGIN:VEVENT", *properties, "END:VEVENT"]
    return "\r\n".join([*lines, "END:VCALENDAR", ""])


EVENT = ("UID:a", "DTSTART:20261205T183000Z", "DTEND:20261205T203000Z", "LOCATION:Saal")

# file, content, line, column, value, part of the message or of what is accepted
DAMAGED = {
    # the kinds that a hurried export produces
    "missing column": ("rooms.csv", "building,use\nNeubau,\n", 1, "room", "building,use", "missing"),
    "unknown column": ("rooms.csv", "room,colour\nSaal,red\n", 1, "colour", None, "building"),
    "bad encoding": (
        "rooms.csv",
        b"room,building\nSaal,N\xfcrnau\nA1,\n",
        2,
        None,
        "b'Saal,N\\xfcrnau\\n'",
        "not UTF-8 at byte 20",
    ),
    "duplicate key": ("rooms.csv", "room\nSaal\nA1\nSaal\n", 4, "room", "Saal", "line 2"),
    "unknown room": ("readings.csv", READINGS + "B9,2026-11-01T08:00,40,20\n", 5, "room", "B9", "rooms.csv"),
    "impossible humidity": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,145,20"),
        2,
        "relative_humidity_percent",
        "145",
        "at most 100",
    ),
    "both temperatures": (
        "readings.csv",
        "room,time,relative_humidity_percent,temperature_c,temperature_f\n",
        1,
        "temperature_c and temperature_f",
        None,
        "exactly one",
    ),
    "skipped hour": (
        "readings.csv",
        readings("Saal,2026-03-29T01:30,40,20", "Saal,2026-03-29T02:30,40,20"),
        3,
        "time",
        "2026-03-29T02:30:00",
        "clocks of the site skip",
    ),
    "future service": (
        "services.csv",
        replaced("services.csv", "2026-09-09", "2026-11-26"),
        6,
        "date",
        "2026-11-26",
        "2026-11-25 or earlier",
    ),
    "a look that left something": (
        "services.csv",
        "instrument,kind,date,found,left,only_measured\nG1,tuning,2026-10-01,-3.2,0.1,yes\n",
        2,
        "left",
        "0.1",
        "an empty cell",
    ),
    "a look at nothing": (
        "services.csv",
        "instrument,kind,date,found,left,only_measured\nG1,tuning,2026-10-01,,,yes\n",
        2,
        "found",
        None,
        "a value",
    ),
    "empty file": ("services.csv", "", 1, None, None, "the file is empty"),
    # and others
    "blank file": ("services.csv", "\n \n".replace(" ", ""), 1, None, None, "the file is empty"),
    "missing file": ("services.csv", None, None, None, None, "the file is missing"),
    "no readings": ("readings.csv", None, None, None, None, "the file is missing"),
    "two sites": ("site.csv", "name,time_zone\nA,UTC\nB,UTC\n", 2, None, None, "2 sites"),
    "no site": ("site.csv", "name,time_zone\n", 2, None, None, "0 sites"),
    "unknown zone": (
        "site.csv",
        "name,time_zone\nA,Europe/Lindwald\n",
        2,
        "time_zone",
        "Europe/Lindwald",
        "",
    ),
    "zone with a path": ("site.csv", "name,time_zone\nA,../etc/passwd\n", 2, "time_zone", None, ""),
    "doubled column": ("rooms.csv", "room,room\nSaal,A1\n", 1, "room", None, "twice"),
    "semicolons": ("rooms.csv", "room;building\nSaal;Neubau\nA1;\n", 1, None, None, "commas"),
    "too few cells": ("rooms.csv", "room,building,use\nSaal,x\nA1,,\n", 2, "use", "Saal,x", "2 cells"),
    "too many cells": ("rooms.csv", "room\nSaal\nA1,x\n", 3, None, "A1,x", "2 cells"),
    "NUL byte": ("rooms.csv", "room\nSaal\nA1\0\n", 3, None, None, "NUL"),
    "NUL in a note": ("services.csv", SERVICES.replace("two", "t\0o"), 2, None, None, "NUL"),
    "open quote": ("rooms.csv", 'room\nSaal\n"A1\n', 3, None, None, "not CSV"),
    "text after a quote": ("rooms.csv", 'room,use\n"Saal"x,\nA1,\n', 2, None, None, "not CSV"),
    "enormous cell": ("services.csv", SERVICES.replace("two", "x" * 140_000), 2, None, None, "not CSV"),
    "enormous line": ("rooms.csv", "room\n" + "x," * 1_100_000, 2, None, None, "too long"),
    "cut off in a character": ("rooms.csv", b"room\nSaal\nA1\xc3", 3, None, None, "not UTF-8"),
    "another encoding": ("rooms.csv", "room\nSaal\nA1\n".encode("utf-16"), 1, None, None, "not UTF-8"),
    "empty needed cell": ("rooms.csv", "room,use\nSaal,\n ,x\n", 3, "room", " ", "an empty cell"),
    "too long a name": ("rooms.csv", f"room\nSaal\nA1\n{'x' * 121}\n", 4, "room", None, "at most 120"),
    "negative humidity": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,-1,20"),
        2,
        None,
        "-1",
        "at least 0",
    ),
    "humidity nan": ("readings.csv", readings("Saal,2026-11-01T08:00,nan,20"), 2, None, "nan", "a number"),
    "humidity inf": ("readings.csv", readings("Saal,2026-11-01T08:00,inf,20"), 2, None, "inf", "a number"),
    "humidity with comma": (
        "readings.csv",
        readings('Saal,2026-11-01T08:00,"45,3",20'),
        2,
        "relative_humidity_percent",
        "45,3",
        "decimal point",
    ),
    "humidity in other digits": ("readings.csv", readings("Saal,2026-11-01T08:00,٤٥,20"), 2, None, "٤٥", ""),
    "humidity with underscore": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,4_5,20"),
        2,
        None,
        "4_5",
        "",
    ),
    "empty humidity": ("readings.csv", readings("Saal,2026-11-01T08:00,,20"), 2, None, "", "an empty cell"),
    "impossible temperature": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,40,70"),
        2,
        "temperature_c",
        "70",
        "at most 60",
    ),
    "impossible Fahrenheit": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,40,150", head="room,time,relative_humidity_percent,temperature_f\n"),
        2,
        "temperature_f",
        "150",
        "at most 140",
    ),
    "no temperature": (
        "readings.csv",
        "room,time,relative_humidity_percent\nSaal,2026-11-01T08:00,40\n",
        1,
        "temperature_c",
        None,
        "exactly one",
    ),
    "reading at a date": (
        "readings.csv",
        readings("Saal,2026-11-01,40,20"),
        2,
        "time",
        "2026-11-01",
        "a time",
    ),
    "no such date": ("readings.csv", readings("Saal,2026-02-30T08:00,40,20"), 2, "time", None, "a time"),
    "hour 24": ("readings.csv", readings("Saal,2026-02-28T24:00,40,20"), 2, "time", None, "a time"),
    "year of a slip": ("readings.csv", readings("Saal,0026-02-28T20:00,40,20"), 2, "time", None, "1900"),
    "two readings of an instant": (
        "readings.csv",
        readings("Saal,2026-11-01T08:00,40,20", "A1,2026-11-01T08:00,40,20", "Saal,2026-11-01T07:00Z,41,20"),
        4,
        "time",
        "Saal 2026-11-01T07:00:00+00:00",
        "readings.csv line 2",
    ),
    "unknown column of readings": ("readings.csv", HEAD.replace("room", "ort"), 1, "ort", None, "room, time"),
    "unknown kind of instrument": (
        "instruments.csv",
        replaced("instruments.csv", "upright", "spinet"),
        3,
        "kind",
        "spinet",
        "instrument_kinds.csv",
    ),
    "unknown use class": (
        "instruments.csv",
        replaced("instruments.csv", "practice", "parctice"),
        3,
        "use_class",
        "parctice",
        "concert, recital, teaching, practice, store",
    ),
    "year in words": (
        "instruments.csv",
        replaced("instruments.csv", "1960", "about 1960"),
        3,
        "year_built",
        "about 1960",
        "whole number",
    ),
    "year of the future": (
        "instruments.csv",
        replaced("instruments.csv", "1960", "2960"),
        3,
        "year_built",
        "2960",
        "2200",
    ),
    "date in another order": (
        "instruments.csv",
        replaced("instruments.csv", "1970-05-05", "05.05.1970"),
        3,
        "in_service_since",
        "05.05.1970",
        "2026-11-25",
    ),
    "date without hyphens": (
        "instruments.csv",
        replaced("instruments.csv", "1970-05-05", "19700505"),
        3,
        "in_service_since",
        "19700505",
        "",
    ),
    "pitch in cents": (
        "instruments.csv",
        replaced("instruments.csv", "443", "12"),
        2,
        "pitch_hz",
        "12",
        "at least 330, at most 500",
    ),
    "control maybe": (
        "instruments.csv",
        replaced("instruments.csv", "yes", "maybe"),
        2,
        "humidity_control",
        "maybe",
        "yes or no",
    ),
    "instrument in no room": (
        "instruments.csv",
        replaced("instruments.csv", "A1", "A2"),
        3,
        "room",
        "A2",
        "rooms.csv",
    ),
    "added kind that is known": (
        "instrument_kinds.csv",
        "kind,behaves_like\ngrand,upright\n",
        2,
        "kind",
        "grand",
        "",
    ),
    "added kind like nothing": (
        "instrument_kinds.csv",
        "kind,behaves_like\nspinet,virginal\n",
        2,
        "behaves_like",
        "virginal",
        "harpsichord",
    ),
    "room that borrows from itself": (
        "rooms.csv",
        "room,borrows_from\nSaal,A1\nA1,Saal\n",
        2,
        "borrows_from",
        "A1",
        "",
    ),
    "unknown kind of service": (
        "services.csv",
        replaced("services.csv", "regulation", "polishing"),
        6,
        "kind",
        "polishing",
        "service_kinds.csv",
    ),
    "bedding of an upright": (
        "services.csv",
        replaced("services.csv", "U1,regulation", "U1,bedding"),
        6,
        "kind",
        "bedding",
        "U1, which is of the kind upright",
    ),
    "service of no instrument": (
        "services.csv",
        replaced("services.csv", "U1", "U9"),
        6,
        "instrument",
        "U9",
        "instruments.csv",
    ),
    "impossible found": ("services.csv", replaced("services.csv", "-3.2", "3200"), 3, "found", None, "1200"),
    "the same order twice": (
        "services.csv",
        "instrument,kind,date,order\nU1,tuning,2026-01-01,3\nU1,tuning,2026-01-01,3\n",
        3,
        "instrument",
        "U1, tuning, 2026-01-01, 3",
        "line 2",
    ),
    "minutes with a point": ("services.csv", replaced("services.csv", "90", "1.5"), 3, "minutes", "1.5", ""),
    "held in no week": (
        "held.csv",
        "instrument,kind,week\nG1,tuning,2027-W53\n",
        2,
        "week",
        "2027-W53",
        "ISO",
    ),
    "held on a date": ("held.csv", "instrument,kind,week\nG1,tuning,2027-01-04\n", 2, "week", None, "ISO"),
    "held bedding of an upright": (
        "held.csv",
        "instrument,kind,week\nU1,bedding,2027-W01\n",
        2,
        "kind",
        None,
        "upright",
    ),
    "compass the wrong way round": (
        "instrument_kinds.csv",
        "kind,behaves_like,compass\nspinet,harpsichord,F6-F1\n",
        2,
        "compass",
        "F6-F1",
        "the lowest note first",
    ),
    "note that does not exist": (
        "requests.csv",
        replaced("requests.csv", "F6", "H6"),
        2,
        "notes",
        "D#3 H6",
        "A0 to C8",
    ),
    "note that is flat": ("requests.csv", replaced("requests.csv", "D#3", "Eb3"), 2, "notes", None, "D#3"),
    "request in a skipped hour": (
        "requests.csv",
        replaced("requests.csv", "2026-11-20T10:15", "2026-03-29T02:15"),
        2,
        "made_at",
        "2026-03-29T02:15:00",
        "skip",
    ),
    "end before begin": (
        "placements.csv",
        replaced("placements.csv", "2010-06-30", "1998-06-30"),
        2,
        "to",
        "1998-06-30",
        "1999-01-01 or later",
    ),
    "address without at": (
        "people.csv",
        replaced("people.csv", "jonas@", "jonas"),
        3,
        "email",
        "jonaslindwald.example",
        "",
    ),
    "unknown role": (
        "people.csv",
        replaced("people.csv", "administrator", "boss"),
        3,
        "role",
        "boss",
        "technician, administrator, reader",
    ),
    "unknown skill": (
        "people.csv",
        replaced("people.csv", "tuning;bedding", "tuning;flying"),
        2,
        "skills",
        "flying",
        "tuning",
    ),
    "cost with a thousandth": (
        "people.csv",
        replaced("people.csv", "55", "55.001"),
        2,
        "hour_cost",
        "55.001",
        "two",
    ),
    "absence of nobody": (
        "absences.csv",
        replaced("absences.csv", "Mira", "Mara"),
        2,
        "name",
        "Mara Tannhof",
        "people.csv",
    ),
    "term without a factor": (
        "terms.csv",
        replaced("terms.csv", "1,1.2", "1,"),
        2,
        "playing_factor",
        "",
        "an empty cell",
    ),
    "term backwards": (
        "terms.csv",
        replaced("terms.csv", "2027-01-31", "2026-01-31"),
        2,
        "to",
        None,
        "later",
    ),
    "offset of a broken sensor": (
        "sensors.csv",
        replaced("sensors.csv", "-1.5", "-51"),
        2,
        "humidity_offset_percent",
        "-51",
        "",
    ),
    "tolerance of nothing": (
        "service_kinds.csv",
        replaced("service_kinds.csv", "1.5", "0"),
        2,
        "tolerance",
        "0",
        "above 0",
    ),
    "added kind without figures": (
        "service_kinds.csv",
        replaced("service_kinds.csv", "1,2,3,100", "1,2,,100"),
        3,
        "hours",
        "",
        "first row",
    ),
    "added kind with two units": (
        "service_kinds.csv",
        "kind,use_class,tolerance,weight,hours,interval_days,unit\n"
        "dusting,concert,1,1,1,1,mm\ndusting,store,1,1,1,1,cm\n",
        3,
        "unit",
        "cm",
        "line 2",
    ),
    "worksheet of the future": (
        "worksheets.csv",
        replaced("worksheets.csv", "2026-02-03", "2027-02-03"),
        2,
        "date",
        "2027-02-03",
        "earlier",
    ),
    "worksheet without a column": (
        "worksheets.csv",
        "instrument,kind,date,point,quantity,before,after,unit\n",
        1,
        "condition",
        None,
        "missing",
    ),
    "calendar of nothing": ("bookings.ics", "", 1, None, None, "empty"),
    "no calendar": ("bookings.ics", "room,from,to\nSaal,1,2\n", None, None, None, "not a calendar"),
    "calendar cut off": (
        "bookings.ics",
        FILES["bookings.ics"].replace("END:VCALENDAR\r\n", ""),
        None,
        None,
        None,
        "not a calendar",
    ),
    "calendar not in UTF-8": ("bookings.ics", b"BEGIN:VCALENDAR\r\n\xff", 2, None, None, "not UTF-8"),
    "booking of an unknown room": (
        "bookings.ics",
        event(*EVENT[:3], "LOCATION:B9"),
        8,
        "LOCATION",
        "B9",
        "rooms",
    ),
    "booking of no room": ("bookings.ics", event(*EVENT[:3]), 4, "LOCATION", "", "rooms.csv"),
    "booking without a start": ("bookings.ics", event("UID:a", "LOCATION:Saal"), 4, "DTSTART", None, "start"),
    "booking without a name": ("bookings.ics", event(*EVENT[1:]), 4, "UID", None, "UID"),
    "booking that ends before it begins": (
        "bookings.ics",
        event(EVENT[0], "DTSTART:20261205T210000Z", *EVENT[2:]),
        7,
        "DTEND",
        None,
        "later",
    ),
    "booking without an end": ("bookings.ics", event(*EVENT[:2], EVENT[3]), 4, "DTEND", None, "later"),
    "booking in an unknown zone": (
        "bookings.ics",
        event(EVENT[0], "DTSTART;TZID=Europe/Lindwald:20261205T183000", *EVENT[2:]),
        6,
        "DTSTART",
        "Europe/Lindwald",
        "zone",
    ),
    "booking at garbage": (
        "bookings.ics",
        event(EVENT[0], "DTSTART:soon", *EVENT[2:]),
        None,
        "DTSTART",
        None,
        "",
    ),
    "booking with an unknown instrument": (
        "bookings.ics",
        event(*EVENT, "X-ALMANAC-INSTRUMENTS:G1,G9"),
        9,
        "X-ALMANAC-INSTRUMENTS",
        "G9",
        "instruments.csv",
    ),
    "booking at a strange pitch": (
        "bookings.ics",
        event(*EVENT, "X-ALMANAC-PITCH:high"),
        9,
        "X-ALMANAC-PITCH",
        "high",
        "330",
    ),
    "the same booking twice": (
        "bookings.ics",
        event(*EVENT).replace("END:VCALENDAR\r\n", "") + event(*EVENT).split("PRODID:x\r\n")[1],
        10,
        "UID",
        "a",
        "line 4",
    ),
    "booking every second": ("bookings.ics", event(*EVENT, "RRULE:FREQ=SECONDLY"), 9, "RRULE", None, "DAILY"),
    "booking every minute of a day": (
        "bookings.ics",
        event(*EVENT, "RRULE:FREQ=DAILY;BYHOUR=1,2,3,4,5;BYMINUTE=1,2,3,4,5"),
        9,
        "RRULE",
        "25",
        "24 a day",
    ),
    **{
        f"booking by the rule {rule}": (
            "bookings.ics",
            event(*EVENT, f"RRULE:{rule}"),
            9,
            "RRULE",
            None,
            said,
        )
        for rule, said in {
            "FREQ=DAILY;BYMONTH=99": "1 to 12",
            "FREQ=DAILY;INTERVAL=0": "1 to 1000",
            "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30": "no month has",
            "FREQ=YEARLY;BYWEEKNO=53": "not taken",
            "FREQ=DAILY;BYSETPOS=5": "BYSETPOS",
            "FREQ=DAILY;UNTIL=soon": "soon",
            "FREQ=WEEKLY;BYDAY=XX": "",
            "FREQ=WEEKLY;COUNT=many": "",
        }.items()
    },
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_folder_is_refused_with_its_place_and_nothing_is_stored(name, tmp_path):
    file, content, line, column, value, said = DAMAGED[name]
    folder = write_folder(tmp_path, **{file.replace(".", "_"): content})
    with pytest.raises(Refused) as caught:
        take(folder)
    reasons = [reason for reason in caught.value.parts if reason.file == file]
    assert reasons, str(caught.value)
    reason = reasons[0]
    if line is not None:
        assert reason.line == line, str(reason)
    if column is not None:
        assert reason.column == column, str(reason)
    if value is not None:
        assert str(reason.value) == value, str(reason)
    assert said in str(reason)
    assert reason.file in str(caught.value)
    assert not any(row_counts().values())


HURRIED = list(DAMAGED)[:10]


@pytest.mark.parametrize("name", HURRIED)
def test_a_damaged_folder_leaves_what_is_stored_as_it_is(name, tmp_path):
    take(write_folder(tmp_path / "whole"))
    before = row_counts()
    file, content, *_ = DAMAGED[name]
    damaged = write_folder(tmp_path / "damaged", **{file.replace(".", "_"): content})
    with pytest.raises(Refused):
        take(damaged)
    assert row_counts() == before


def test_many_reasons_are_told_at_once_and_bounded(tmp_path):
    rows = [f"Saal,2026-11-01T08:{minute:02d},101,20" for minute in range(50)]
    with pytest.raises(AllRefused) as caught:
        take(write_folder(tmp_path, readings_csv=readings(*rows)))
    assert [reason.line for reason in caught.value.parts] == list(range(2, 22))
    assert str(caught.value).endswith("and more: only the first 20 are listed")


def test_reasons_of_several_files_are_told_together(tmp_path):
    folder = write_folder(
        tmp_path,
        rooms_csv=FILES["rooms.csv"].replace("room,", "raum,"),
        terms_csv=FILES["terms.csv"].replace("2026-10-01", "1.10."),
        held_csv="instrument,kind,week\nG1,tuning,soon\n",
    )
    with pytest.raises(AllRefused) as caught:
        take(folder)
    assert {reason.file for reason in caught.value.parts} == {"rooms.csv", "terms.csv", "held.csv"}


@pytest.mark.parametrize("new", ["\r\n", "\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_byte_order_marks_and_either_end_of_line_are_accepted(new, mark, tmp_path):
    files = {
        name.replace(".", "_"): mark + text.replace("\r\n", "\n").replace("\n", new)
        for name, text in FILES.items()
    }
    taken = take(write_folder(tmp_path, **files))
    assert {file: counts.new for file, counts in taken.files.items()}["readings.csv"] == 3


def test_a_site_that_was_not_expected_is_refused(tmp_path):
    with pytest.raises(Refused, match="not the site that --site names"):
        take(write_folder(tmp_path), site_name="Haus Rothenau")


def test_a_line_is_the_physical_line_even_after_a_cell_with_several(tmp_path):
    services = SERVICES.replace("two\nlines", "a\nb\nc\nd").replace("2026-09-09", "9.9.2026")
    with pytest.raises(Refused) as caught:
        take(write_folder(tmp_path, services_csv=services))
    lines = services.splitlines()
    assert "9.9.2026" in lines[caught.value.parts[0].line - 1]
