"""The page of one record: what it says, whether it was out, and what became of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from fleet import records
from tests import factories as make
from tests.factories import TODAY


@pytest.fixture
def shown(read, house):
    grand = house.instruments[0]  # kept for concerts: 2 cents

    def text(day=TODAY - timedelta(days=3), **values):
        service = make.make_service(grand, day, **values)
        return " ".join(read(f"/services/{service.pk}/").split())

    return text


def test_it_says_whether_the_instrument_was_out(shown):
    assert "It had left its tolerance of 2 cents." in shown(found=-2.5)
    assert "It was within its tolerance of 2 cents." in shown(order=1, found=2.0)
    assert "tolerance of" not in shown(order=2)


def test_registers_that_have_parted_are_out_though_the_mean_is_right(shown):
    text = shown(found=0.0, found_bass=-3.0, found_treble=3.5)
    assert "Its registers had parted by 3.2 cents either side of their middle" in text
    assert "within its tolerance" not in text
    assert "within its tolerance" in shown(order=1, found=0.0, found_bass=-1.9, found_treble=1.9)


def test_a_record_read_in_says_so_and_a_note_stays_text(shown):
    text = shown(note="<b>bass</b>")
    assert "Read in from a folder; nobody has changed it here." in text
    assert "&lt;b&gt;bass&lt;/b&gt;" in text


def test_a_withdrawn_record_stays_in_the_history_of_its_instrument(read, house):
    grand = house.instruments[0]
    service = make.make_service(grand, TODAY, found=-7.5, minutes=50)
    records.withdraw(service, records.Author("Ida Thorn"), datetime.now(UTC))
    text = " ".join(read(f"/instruments/{grand.pk}/").split())
    assert "tuning, withdrawn by Ida Thorn: day 25 November 2026, minutes 50, found −7.5" in text


def test_a_reader_sees_the_record_and_no_way_to_change_it(read, house):
    service = make.make_service(house.instruments[0], TODAY)
    reader = make.make_user(house.site, "reader")
    text = read(f"/services/{service.pk}/", reader)
    assert "Correct it" not in text
    assert "/record/" not in read("/", reader)
    assert "/record/" not in read(f"/instruments/{house.instruments[0].pk}/", reader)


def test_each_visit_of_the_week_has_a_link_that_records_it(read, house):
    visit = house.plan.visits.filter(week=house.plan.start).first()
    assert f'href="/record/{visit.instrument_id}/{visit.kind}/?week=2026-W48"' in read("/?who=all")
