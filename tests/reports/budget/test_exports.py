"""Hours and money agree to the cent on the page, in CSV, XLSX, PDF and JSON, however they are summed."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction

import openpyxl
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.models import Site, UseClass
from reports.budget.exports import EXPORTS, document
from reports.budget.ledger import THURSDAY, Entry, Ledger, Stand
from reports.budget.page import budget_page
from reports.budget.statement import QUESTIONS, set_out

START = date(2026, 11, 23)
SITE = Site(name="Brackwater Conservatory", currency="EUR")
NAMES = ("planned", "done", "put_off")
hundredths = st.integers(0, 99_999).map(lambda number: Decimal(number) / 100)
words = st.sampled_from(["", "Old House", "=1+1", "+41", "-x", "@sum", "Žižkov", "Hall, the “new”", "a\nb"])


@st.composite
def entry(draw) -> Entry:
    stand = draw(st.sampled_from(Stand))
    week = None if stand == Stand.PUT_OFF else START + timedelta(weeks=draw(st.integers(0, 30)))
    return Entry(
        stand=stand,
        week=week,
        month=(week + THURSDAY).replace(day=1) if week else None,
        term=draw(words) if week else "",
        building=draw(words),
        room=draw(words),
        instrument=draw(words),
        use_class=draw(st.sampled_from(UseClass.values)),
        service=draw(st.sampled_from(["tuning", "voicing"])),
        person=draw(words),
        hours=draw(hundredths),
        cost=draw(st.none() | hundredths),
        assumed=draw(st.booleans()),
    )


ledgers = st.lists(entry(), max_size=12).map(
    lambda entries: Ledger(SITE, START, START + timedelta(days=216), tuple(entries), {})
)


def exact(ledger: Ledger) -> dict[str, tuple[Fraction, Fraction]]:
    """Hours and money by stand, added up as fractions."""
    return {
        name: (
            sum((Fraction(e.hours) for e in ledger.entries if e.stand == name), Fraction()),
            sum((Fraction(e.cost or 0) for e in ledger.entries if e.stand == name), Fraction()),
        )
        for name in NAMES
    }


@settings(deadline=None)
@given(ledgers, st.sampled_from(sorted(QUESTIONS)))
def test_the_lines_of_every_statement_add_up_to_its_total(ledger, by):
    statement = set_out(ledger, by)
    for name in NAMES:
        rows = [getattr(row, name) for row in statement.rows]
        total = getattr(statement.total, name)
        assert (Fraction(total.hours), Fraction(total.cost)) == exact(ledger)[name]
        assert (sum(row.hours for row in rows), sum(row.cost for row in rows)) == (total.hours, total.cost)
        assert sum(row.unpriced for row in rows) == total.unpriced
        assert sum(row.services for row in rows) == total.services


@settings(max_examples=25, deadline=None)
@given(ledgers, st.sampled_from(sorted(QUESTIONS)))
def test_csv_workbook_and_document_say_the_same_sums(ledger, by):
    wanted = exact(ledger)
    lines = list(
        csv.DictReader(io.StringIO(EXPORTS["csv"].write(ledger, by).decode("utf-8-sig"), newline=""))
    )
    book = openpyxl.load_workbook(io.BytesIO(EXPORTS["xlsx"].write(ledger, by)))
    named = by == "person" or any(one.person for one in ledger.entries)
    assert len(book.worksheets) == len(QUESTIONS) + 1 - (not named)
    assert ("by person" in book.sheetnames) == named
    told = json.loads(EXPORTS["json"].write(ledger, by))["total"]
    for name in NAMES:
        mine = [line for line in lines if line["stand"] == name]
        in_csv = (
            sum((Fraction(line["hours"]) for line in mine), Fraction()),
            sum((Fraction(line["cost_eur"] or "0") for line in mine), Fraction()),
        )
        assert in_csv == wanted[name]
        assert (Fraction(told[name]["hours"]), Fraction(told[name]["cost"])) == wanted[name]
        for sheet in book.worksheets[:-1]:
            last = [cell.value for cell in sheet[sheet.max_row]]
            place = 2 + 3 * NAMES.index(name)
            # A workbook keeps binary floats: their shortest decimal is the number that was written.
            assert (Fraction(repr(last[place])), Fraction(repr(last[place + 1]))) == wanted[name], sheet.title


@settings(max_examples=25, deadline=None)
@given(ledgers)
def test_no_text_of_a_table_is_taken_for_a_formula(ledger):
    for line in csv.reader(io.StringIO(EXPORTS["csv"].write(ledger, "week").decode("utf-8-sig"), newline="")):
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")) for cell in line)
    book = openpyxl.load_workbook(io.BytesIO(EXPORTS["xlsx"].write(ledger, "week")))
    assert all(cell.data_type != "f" for sheet in book for row in sheet for cell in row)


@pytest.fixture
def some() -> Ledger:
    week = START
    entries = [
        Entry(
            *(Stand.PLANNED, week, week.replace(day=1), "", "Žižkov", "Attic", "U-1", "teaching", "tuning"),
            *("Ida Thorn", Decimal("1234.50"), Decimal("49380.00")),
        ),
        Entry(
            *(Stand.DONE, week, week.replace(day=1), "", "Žižkov", "Attic", "U-1", "teaching", "tuning", ""),
            *(Decimal("1.25"), None, True),
        ),
    ]
    return Ledger(SITE, START, START + timedelta(days=6), tuple(entries), {})


def test_the_paper_says_the_same_sums(some):
    text = "".join(
        page.extract_text() for page in pypdf.PdfReader(io.BytesIO(EXPORTS["pdf"].write(some, "week"))).pages
    )
    assert "Budget of Brackwater Conservatory" in text
    assert "Žižkov" in text
    assert text.count("1,234.50") == text.count("49,380.00") == 2 * 5
    assert "For 1.25 h nobody has said what an hour costs." in text


def test_the_page_draws_its_bars_to_one_scale_and_says_what_is_assumed(some):
    page = budget_page(some, "building")
    [line] = page.lines
    assert (line.planned, line.done, line.put_off) == (100.0, 0.1, 0.0)
    assert (page.assumed, page.unpriced, page.priced) == (Decimal("1.25"), Decimal("1.25"), True)


def test_uses_stand_in_the_order_of_their_weight(some):
    from dataclasses import replace

    mixed = tuple(replace(some.entries[0], use_class=use) for use in ("store", "concert", "practice"))
    rows = document(replace(some, entries=mixed), "use")["rows"]
    assert [row["name"] for row in rows] == ["concert", "practice", "store"]
