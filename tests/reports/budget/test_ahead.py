"""The years ahead: what is computed is asked for, told with a range, and the same in every file."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction

import openpyxl
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.models import Role, Site
from fleet.refusal import Refused
from reports.budget.ahead import ahead_report, look_ahead
from reports.budget.report import REPORT_FILES
from scheduling import seasons_ahead
from scheduling.models import SeasonsAhead
from scheduling.season_changes import Author
from tests import factories as make

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
AUTHOR = Author(None, "Ida Thorn")
SITE = Site(name="Brackwater Conservatory", currency="EUR")
hundredths = st.integers(0, 999_999).map(lambda number: str(Decimal(number) / 100))


class NoTerms:
    """A site's terms, none of them, without a database."""

    def all(self):
        return []


@st.composite
def computed(draw) -> SeasonsAhead:
    years = draw(st.integers(1, 3))
    services = draw(st.lists(st.sampled_from(["tuning", "voicing", "=1+1"]), unique=True, max_size=3))
    begins = [date(2026, 11, 23) + timedelta(weeks=13 * n) for n in range(4 * years)]
    stretches = [{"first": "2026-11-25", "last": "2026-11-25", "offered": ""}]
    stretches += [
        {"first": str(begin), "last": str(begin + timedelta(days=90)), "offered": draw(hundredths)}
        for begin in begins
    ]
    for row in stretches:
        row |= {"low": draw(hundredths), "high": draw(hundredths)}
    work = SeasonsAhead(
        years=years,
        today=date(2026, 11, 25),
        stretches=stretches,
        needs=[
            [place, name, draw(hundredths), draw(hundredths)]
            for place in range(len(stretches))
            for name in services
        ],
        years_range=[[draw(hundredths), draw(hundredths)] for _ in range(years)],
    )
    work.site = SITE
    return work


@pytest.fixture(autouse=True)
def without_terms(monkeypatch):
    monkeypatch.setattr(Site, "terms", NoTerms(), raising=False)


@settings(max_examples=25, deadline=None)
@given(computed(), st.none() | st.integers(1, 20_000).map(lambda cents: Decimal(cents) / 100))
def test_stretches_years_and_services_add_up_to_the_same_total_in_every_file(work, rate):
    ahead = look_ahead(work, rate)
    report = ahead_report(ahead)
    hours = sum(Fraction(row[3]) for row in work.needs)
    # Half a cent up, as money is rounded everywhere: floor(x + 1/2) of exact fractions of a cent.
    cents = sum((Fraction(row[3]) * Fraction(rate or 0) * 100 + Fraction(1, 2)) // 1 for row in work.needs)
    money = Fraction(int(cents), 100) if rate is not None else None
    book = openpyxl.load_workbook(io.BytesIO(REPORT_FILES["xlsx"].write(report)))
    assert all(cell.data_type != "f" for sheet in book for row in sheet for cell in row)
    for sheet in book:
        rows = [[cell.value for cell in row] for row in list(sheet.rows)[1:]]
        for row in (
            rows[-1],
            [None, *(sum(Fraction(repr(r[n] or 0)) for r in rows[:-1]) for n in range(1, 7))],
        ):
            assert Fraction(repr(row[2])) == hours if isinstance(row[2], float | int) else row[2] == hours
            found = row[6]
            found = found if isinstance(found, Fraction | None) else Fraction(repr(found))
            assert found == money or (money is None and not found)
    text = REPORT_FILES["csv"].write(report).decode("utf-8-sig")
    last = list(csv.reader(io.StringIO(text, newline="")))[-1]
    assert (Fraction(last[2]), Fraction(last[6]) if last[6] else None) == (hours, money)
    said = json.loads(REPORT_FILES["json"].write(report))
    assert Fraction(said["total"]["hours"]) == hours
    for name in ("stretches", "years", "services"):
        assert sum(Fraction(row["hours"]) for row in said[name]) == hours


@pytest.fixture
def site(db):
    site = make.make_site(hour_cost=Decimal("40.00"))
    make.make_person(site, hours_per_week=10.0)
    room = make.make_room(site)
    make.make_climate(room, date(2025, 11, 1), 389)
    for number in range(2):
        upright = make.make_instrument(room, f"U-{number}")
        make.make_service(upright, date(2026, 10, 1), found=-4.0, left=0.0)
    return site


def test_what_was_asked_for_is_computed_once_and_told_with_a_range_and_the_hours_offered(site, monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    work = seasons_ahead.ask(site, 1, AUTHOR, NOW)
    assert seasons_ahead.ask(site, 1, AUTHOR, NOW) == work
    work = seasons_ahead.compute(work.pk)
    assert work.state == "done", work.trouble
    assert seasons_ahead.compute(work.pk) is None
    ahead = look_ahead(work, Decimal("40.00"))
    # By hand: 13 weeks of 10 h.
    assert [need.offered for need in ahead.stretches] == [None, *[Decimal("130.00")] * 4]
    [year] = ahead.years
    assert year.low <= year.hours <= year.high
    assert year.hours == ahead.total.hours > 0
    assert ahead.total.money == sum(need.money for need in ahead.services)
    # Two teaching uprights are tuned every 75 days by custom, ten times a year together; half to thrice that.
    tuning = next(need for need in ahead.services if need.name == "tuning")
    assert 5 <= tuning.services <= 30


def test_it_can_be_ended_and_years_out_of_range_are_refused(site):
    work = seasons_ahead.ask(site, 2, AUTHOR, NOW)
    SeasonsAhead.objects.filter(pk=work.pk).update(state="cancelled")
    assert seasons_ahead.compute(work.pk) is None
    for years in (0, 4):
        with pytest.raises(Refused, match="1 to 3"):
            seasons_ahead.ask(site, years, AUTHOR, NOW)


def test_a_site_without_instruments_or_people_needs_nothing_and_is_offered_nothing(db, monkeypatch):
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    work = seasons_ahead.compute(seasons_ahead.ask(make.make_site(), 1, AUTHOR, NOW).pk)
    assert (work.state, look_ahead(work, None).total.hours) == ("done", Decimal("0.00"))


def test_the_page_asks_shows_how_far_it_is_and_then_the_figures(
    client, site, django_capture_on_commit_callbacks
):
    client.force_login(make.make_user(site, Role.ADMINISTRATOR))
    assert "Nothing has been computed yet" in client.get("/budget/ahead/").content.decode()
    assert client.get("/budget/ahead/csv/").status_code == 404
    assert client.post("/years-ahead/", {"years": "1"}).status_code == 302
    assert "It waits for the worker" in client.get("/budget/ahead/").content.decode()
    seasons_ahead.compute(SeasonsAhead.objects.get().pk)
    text = client.get("/budget/ahead/").content.decode()
    assert "Year 1" in text
    assert "the least that keep everything in tolerance" in text
    pages = pypdf.PdfReader(io.BytesIO(client.get("/budget/ahead/pdf/").content)).pages
    assert "What the years ahead need".lower() in "".join(page.extract_text() for page in pages).lower()


def test_readers_may_read_it_and_not_ask(client, site):
    client.force_login(make.make_user(site, Role.READER))
    assert client.get("/budget/ahead/").status_code == 200
    assert client.post("/years-ahead/", {"years": "1"}).status_code == 403
