"""The administrator's hours letter; every sum is done by hand beside it."""

from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest

from fleet.models import Service
from reports.budget.ledger import Stand, read_ledger
from scheduling import letters
from scheduling.alerts import put_alert_in_outbox
from scheduling.hours_report import Rates, week_hours
from tests import factories
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
LAST = MONDAY - timedelta(days=7)


@pytest.fixture
def office(school):
    """Last week's plan held two visits, of which one was kept; one service came unforeseen."""
    school.site.hour_cost = Decimal("40.00")
    school.site.save()
    ilse, otto = school.people
    otto.hour_cost = Decimal("55.50")
    otto.save()
    office = factories.make_person(school.site, "Ada Quint", role="administrator", hours_per_week=None)
    before = factories.make_plan(school.site, LAST, 1, hours_offered=[12.0], hour_worth=[3.25])
    one, other = school.instruments
    factories.make_visit(before, one, technician=ilse, hours=1.5)
    factories.make_visit(before, other, kind="regulation", technician=otto, hours=6)
    factories.make_service(one, LAST, minutes=100, technician=ilse.name)
    factories.make_service(other, LAST + timedelta(days=6), "voicing", technician=otto.name)
    factories.make_put_off(school.plan, one, reason="others need it more", expected_days_out=20.4)
    return school, office


def test_the_letter_sets_hours_planned_against_hours_done_in_hours_and_money(office):
    school, person = office
    (draft,) = letters.compose(school.site, MONDAY, TODAY, "hours")
    assert draft.person == person
    last, this = draft.items
    # 100 minutes are 1.67 h at 40.00, 66.80; voicing has 3 usual hours, at 55.50 they are 166.50
    assert (last["hours_done"], last["cost_done"]) == (4.67, "233.30")
    # 1.5 h at 40.00 and 6 h at 55.50
    assert (last["hours_planned"], last["cost_planned"]) == (7.5, "393.00")
    assert (last["visits"], last["visits_kept"], last["services"]) == (2, 1, 2)
    # 1.5 h at 40.00 and 1.5 h at 55.50
    assert (this["hours_planned"], this["cost_planned"], this["hour_worth"]) == (3.0, "143.25", 1.0)
    assert draft.subject.replace("\N{NO-BREAK SPACE}", " ") == (
        "Hours for the week of 30 November: 3 hours planned of 10 h, 1 of 2 visits kept last week"
    )
    flat = " ".join(draft.text.split()).replace("\N{NO-BREAK SPACE}", " ")
    for words in (
        "Planned: 7.5 h in 2 visits, cost 393.00 EUR",
        "Recorded: 4.67 h in 2 services, cost 233.30 EUR",
        "Recorded without a planned visit: 1",
        "1 record without minutes counts with the usual hours.",
        "- U-13 in Room 12, regulation, 6 h, Otto Wendling",
        "Otto Wendling: 1.5 h in 1 visit, 83.25 EUR",
        "One more hour this week would spare 1 weighted days",
        "1 service has no visit in the plan; expected 20 instrument-days out of tolerance.",
        "U-12 in Room 12, voicing: others need it more",
    ):
        assert words in flat
    for words in ("393.00", "233.30", "143.25", "Otto Wendling", "others need it more"):
        assert words in draft.html


def test_the_letter_and_the_budget_page_agree_to_the_cent(office):
    school, _ = office
    Service.objects.filter(minutes=100).update(minutes=97)
    entries = read_ledger(school.site, LAST, LAST + timedelta(days=6)).entries
    figures = week_hours(school.site, LAST, Rates(school.site))
    for stand, hours, cost in (
        (Stand.PLANNED, figures.planned, figures.planned_cost),
        (Stand.DONE, figures.done, figures.done_cost),
    ):
        assert hours == sum(entry.hours for entry in entries if entry.stand == stand)
        assert cost == sum(entry.cost for entry in entries if entry.stand == stand)


def test_without_any_cost_the_letter_says_so_and_names_no_money(office):
    school, _ = office
    type(school.site).objects.update(hour_cost=None)
    school.site.refresh_from_db()
    (draft,) = letters.compose(school.site, MONDAY, TODAY, "hours")
    assert draft.items[0]["cost_planned"] is None
    assert "cost not known" in draft.text
    assert "Some hour has no cost" in draft.text


def test_a_site_without_plan_and_work_writes_no_hours_letter(db):
    site = factories.make_site()
    factories.make_person(site, role="administrator")
    assert letters.compose(site, MONDAY, TODAY, "hours") == []


def test_technicians_get_no_money_and_administrators_no_due_work(office):
    school, person = office
    assert {draft.person for draft in letters.compose(school.site, MONDAY, TODAY)} == set(school.people)
    rows = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW, "hours")
    assert [row.person for row in rows] == [person]
    assert letters.put_in_outbox(school.site, MONDAY, TODAY, NOW, "hours") == rows


def test_an_alert_goes_to_every_technician_once_per_occasion(office):
    school, _ = office
    told = ("first dry week 2026/27", lambda: ("The first dry week", ["Room 12 fell to 28 %."]))
    first = put_alert_in_outbox(school.site, *told, NOW)
    assert [letter.person for letter in first] == school.people
    assert {letter.subject for letter in first} == {"Halvermoor Conservatory: The first dry week"}
    assert all("Room 12 fell to 28 %." in letter.text for letter in first)
    assert put_alert_in_outbox(school.site, *told, NOW + timedelta(days=30)) == []
    second = put_alert_in_outbox(school.site, "cold spell", lambda: ("A cold spell", ["Soon."]), NOW)
    assert len({letter.message_id for letter in (*first, *second)}) == 4
