"""The command that lays out a week: its document, its text, and what it refuses."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from tests import factories as make
from tests.factories import MONDAY

pytestmark = pytest.mark.django_db


def told(*words: str) -> str:
    out = StringIO()
    call_command("plan_week", *words, "--today", "2026-11-25", stdout=out)
    return out.getvalue()


@pytest.fixture
def visit():
    site = make.make_site()
    grand = make.make_instrument(make.make_room(site, "Hall", "New Hall"), "G-1", "grand")
    make.make_booking(grand.room, datetime(2026, 11, 30, 7, tzinfo=UTC), 4, title="Class")
    plan = make.make_plan(site, MONDAY, 2, hours_offered=[1.5, 9.0])
    person = make.make_person(site, "Ada", 1.5)
    make.make_visit(plan, grand, MONDAY, kind="regulation", hours=6.0, technician=person)
    return make.make_visit(plan, grand, MONDAY, technician=person)


def test_the_document_has_times_with_offset_and_what_found_no_place(visit):
    said = json.loads(told("2026-W49", "--format", "json"))
    assert said["week"] == "2026-W49"
    assert said["outcome"] == "optimal"
    assert said["cost"] == said["bound"]
    assert said["appointments"] == [
        {
            "technician": "Ada",
            "starts_at": "2026-11-30T13:00:00+01:00",
            "ends_at": "2026-11-30T14:30:00+01:00",
            "room": "Hall",
            "building": "New Hall",
            "instrument": "G-1",
            "service": "tuning",
            "part": 1,
            "held": False,
            "reason": "predicted out by 12 December",
        }
    ]
    assert said["not_placed"] == [
        {
            "instrument": "G-1",
            "service": "regulation",
            "hours": 6.0,
            "rules": ["hours offered"],
            "reason": "it takes 6 h, and Ada has 0 of 1.5 h left",
            "moves_to": "2026-W50",
        }
    ]


def test_the_text_says_the_same_day_by_day(visit):
    text = told("2026-W49")
    assert "Monday 30 November, Ada" in text
    assert "13:00-14:30 G-1: tuning (Hall, New Hall)" in text
    assert "not placed: regulation of G-1, 6 h: it takes 6 h" in text
    assert "2026-W50 has hours left for it" in text


def test_a_week_without_work_says_so():
    make.make_plan(make.make_site(), MONDAY, 2)
    assert "its hours are free for what turns up" in told("2026-W49")


@pytest.mark.parametrize(
    "week,said", [("2026-W40", "has passed"), ("2027-W30", "no season plan"), ("2026-W54", "no week 54")]
)
def test_what_cannot_be_laid_out_is_refused(visit, week, said):
    with pytest.raises(CommandError, match=said):
        told(week)
