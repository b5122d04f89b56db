"""Scenarios beside the plan in hand: the same figures to the cent on the page and in every file."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from html.parser import HTMLParser

import openpyxl
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.models import Site
from reports.budget.comparison import MEASURES, Comparison, Option, comparison_report
from reports.budget.report import REPORT_FILES
from reports.budget.worth import hour_worth
from scheduling.models import Scenario
from tests import factories as make

START = date(2026, 11, 23)
SITE = Site(name="Brackwater Conservatory", currency="EUR")
hundredths = st.integers(0, 9_999_999).map(lambda number: Decimal(number) / 100)
tenths = st.integers(0, 999_999).map(lambda number: Decimal(number) / 10)
names = st.sampled_from(["As it is", "=1+1", "+4 h", "@sum", "Žižkov held", "two\nlines"])
counts = st.integers(0, 5000)
options = st.builds(
    Option,
    name=names,
    start=st.just(START),
    weeks=st.just(18),
    computed=st.just(START),
    offered=hundredths,
    used=hundredths,
    money=st.none() | hundredths,
    unpriced=hundredths,
    weighted=tenths,
    days_out=st.none() | tenths,
    services=counts,
    put_off=counts,
)
comparisons = st.lists(options, min_size=1, max_size=5).map(lambda some: Comparison(SITE, tuple(some)))


def told(compared: Comparison) -> list[list[Fraction | None]]:
    """By measure: the figures, then the differences, worked out here from the options."""
    rows = []
    for measure in MEASURES:
        values = [getattr(option, measure.key) for option in compared.options]
        apart = [
            None if None in (value, values[0]) else Fraction(value) - Fraction(values[0]) for value in values
        ]
        rows.append([None if value is None else Fraction(value) for value in values] + apart[1:])
    return rows


@settings(max_examples=25, deadline=None)
@given(comparisons)
def test_figures_and_differences_are_the_same_in_csv_workbook_and_document(compared):
    report, wanted, many = comparison_report(compared), told(compared), len(compared.options)
    text = REPORT_FILES["csv"].write(report).decode("utf-8-sig")
    lines = list(csv.reader(io.StringIO(text, newline="")))[1:]
    assert [[Fraction(cell) if cell else None for cell in line[2:]] for line in lines] == wanted
    sheet = openpyxl.load_workbook(io.BytesIO(REPORT_FILES["xlsx"].write(report))).active
    rows = [[cell.value for cell in row][2:] for row in list(sheet.rows)[1:]]
    # A workbook keeps binary floats: their shortest decimal is the number that was written.
    assert [[None if v is None else Fraction(repr(v)) for v in row] for row in rows] == wanted
    said = json.loads(REPORT_FILES["json"].write(report))["options"]
    for measure, row in zip(MEASURES, wanted, strict=True):
        found = [one[measure.key] for one in said] + [one["difference"][measure.key] for one in said[1:]]
        assert [None if value is None else Fraction(value) for value in found] == row
    assert len(said) == many


@settings(max_examples=25, deadline=None)
@given(comparisons)
def test_no_name_of_a_scenario_is_taken_for_a_formula(compared):
    report = comparison_report(compared)
    text = REPORT_FILES["csv"].write(report).decode("utf-8-sig")
    head = next(csv.reader(io.StringIO(text, newline="")))
    assert not any(cell.startswith(("=", "+", "-", "@", "\n")) for cell in head)
    book = openpyxl.load_workbook(io.BytesIO(REPORT_FILES["xlsx"].write(report)))
    assert all(cell.data_type != "f" for sheet in book for row in sheet for cell in row)


def some() -> Comparison:
    first = Option(
        *("As it is", START, 18, START, Decimal("180.00"), Decimal("171.25"), Decimal("6850.00")),
        *(Decimal("0.00"), Decimal("1210.4"), Decimal("701.0"), 96, 12),
    )
    more = replace(
        first,
        name="2 h a week more",
        used=Decimal("205.50"),
        money=Decimal("8220.00"),
        weighted=Decimal("1110.4"),
    )
    return Comparison(SITE, (first, more))


def test_the_paper_says_the_same_and_what_a_day_costs():
    pages = pypdf.PdfReader(io.BytesIO(REPORT_FILES["pdf"].write(comparison_report(some())))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    # By hand: 8220 - 6850 = 1370 for 1210.4 - 1110.4 = 100 days, 13.70 for each.
    for words in ("8,220.00", "6,850.00", "1,370.00", "-100.0", "for EUR 1,370.00 more: EUR 13.70 for each"):
        assert words in text


class Cells(HTMLParser):
    """The cells of the first table of a page, row by row."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.inside = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.rows += [[]] if tag == "tr" else []
        if tag in ("td", "th"):
            self.rows[-1].append("")
        self.inside = tag in ("td", "th") or self.inside and tag != "span"

    def handle_endtag(self, tag):
        self.inside = self.inside and tag not in ("td", "th")

    def handle_data(self, data):
        if self.inside and self.rows and self.rows[-1]:
            self.rows[-1][-1] += data


@pytest.fixture
def asked(house):
    """A scenario of the weeks of the plan in hand, and one of other weeks."""
    ready = {
        "state": "done",
        "today": make.TODAY,
        "bound": 1100.0,
        "days_out": 640.04,
        "visits": 30,
        "asked_at": datetime(2026, 11, 25, 7, tzinfo=UTC),
        "hours_offered": [22.0] * 18,
        "hours_used": [21.125] * 18,
        "money": Decimal("15210.10"),
        "put_off": [["G-01", "voicing", 4.0, 8.0]],
        "changes": [{"kind": "hours", "hours": 2.0}],
        "site": house.site,
    }
    here = Scenario.objects.create(name="2 h more", start=house.plan.start, weeks=18, cost=1110.44, **ready)
    later = house.plan.start + timedelta(weeks=4)
    other = Scenario.objects.create(name="Later", start=later, weeks=4, cost=5.0, **ready)
    return here, other


def test_page_and_files_tell_the_plan_in_hand_and_the_scenario_alike(read, house, asked):
    house.site.hour_cost = Decimal("40.00")
    house.site.save()
    query = f"?with={asked[0].pk}"
    cells = Cells(read(f"/budget/compare/{query}")).rows
    assert cells[0][1:] == ["The plan in hand", "2 h more"]
    by_name = {row[0]: row[1:] for row in cells[1:]}
    # By hand: each week's 21.125 h are 21.13 to a hundredth, times 18; the plan's visits cost 40 an hour.
    hours = sum(Decimal(str(visit.hours)) for visit in house.plan.visits.all())
    assert by_name["Hours used, h"] == [f"{hours:,.2f}", "380.34"]
    assert by_name["Money for the hours used, EUR"] == [f"{hours * 40:,.2f}", "15,210.10"]
    assert by_name["Weighted days out of tolerance, days"] == ["1,210.4", "1,110.4"]
    said = json.loads(read(f"/budget/compare/json/{query}"))["options"]
    assert [one["money"] for one in said] == [f"{hours * 40:.2f}", "15210.10"]
    assert said[1]["difference"]["weighted"] == "-100.0"


def test_a_plan_of_other_weeks_is_not_compared_and_that_is_said(read, house, asked):
    text = read(f"/budget/compare/?with={asked[1].pk}")
    assert "The plan in hand covers other weeks" in text
    assert [row[1:] for row in Cells(text).rows[:1]] == [["Later"]]


def test_without_a_plan_or_scenario_the_page_says_what_would_fill_it_and_no_file_is_made(client, db):
    client.force_login(make.make_user(make.make_site()))
    assert "no scenario has been computed" in client.get("/budget/compare/").content.decode()
    assert client.get("/budget/compare/csv/").status_code == 404


def test_one_more_hour_a_week_is_told_in_days_and_in_money(db):
    site = make.make_site(hour_cost=Decimal("45.00"))
    worth = [5.0, 2.0, 1.5, 0.5]
    make.make_plan(site, make.MONDAY - timedelta(weeks=1), 4, hour_worth=worth, hours_offered=[10.0] * 4)
    found = hour_worth(site, make.MONDAY, wages=False)
    # By hand: three weeks are to come, 2.0 + 1.5 + 0.5 = 4.0 days for 3 h at 45.00, 135.00 / 4 = 33.75.
    assert (found.hours, found.spared, found.for_each_hour) == (3, 4.0, pytest.approx(4 / 3))
    assert (found.money, found.price_of_a_day) == (Decimal("135.00"), Decimal("33.75"))


def test_wages_are_told_in_the_mean_and_only_to_who_may_see_them(db):
    site = make.make_site()
    make.make_plan(site, make.MONDAY, 2, hour_worth=[1.0, 1.0])
    make.make_person(site, hours_per_week=30.0, hour_cost=Decimal("40.00"))
    make.make_person(site, hours_per_week=10.0, hour_cost=Decimal("60.00"))
    assert hour_worth(site, make.MONDAY, wages=False).rate is None
    # By hand: (30 · 40 + 10 · 60) / 40 = 45.
    assert hour_worth(site, make.MONDAY, wages=True).rate == Decimal("45.00")
