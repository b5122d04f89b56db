"""Records: entered once, corrected with their history, withdrawn with a trace, and told to the forecast."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from fleet import records
from fleet.models import InstrumentKind, RecordChange, Service, WorksheetLine
from fleet.records import Author, Entry, Point
from fleet.refusal import Refused
from fleet.signals import facts_changed
from scheduling.inputs import fleet_facts
from tests import factories as make

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
TODAY = date(2026, 11, 25)
IDA, RUFUS = Author("Ida Thorn"), Author("Rufus Pell", by_letter=True)
GAP = Point("glide 1", "at rest", "gap", "mm", 0.08, 0.0)


@pytest.fixture
def grand(db):
    room = make.make_room(make.make_site("Quiet School"), "Hall")
    return make.make_instrument(room, "G-1", "grand")


def enter(instrument, entry=None, kind="tuning", token="form 1", author=IDA, now=NOW):
    return records.record(instrument, kind, entry or Entry(TODAY, 75, -3.5, 0.2), author, token, now)


def test_a_record_keeps_what_was_said_and_who_said_it(grand):
    done = enter(grand, Entry(TODAY, 75, -3.5, 0.2, note=" bass flat "))
    one = Service.objects.get()
    assert done.service == one
    assert (one.date, one.minutes, one.found, one.left) == (TODAY, 75, -3.5, 0.2)
    assert (one.note, one.technician, one.order) == ("bass flat", "Ida Thorn", 0)
    change = one.changes.get()
    assert (change.what, change.by, change.at, change.by_letter) == ("entered", "Ida Thorn", NOW, False)
    assert change.values["found"] == [None, -3.5]


def test_nothing_but_the_day_is_needed(grand):
    enter(grand, Entry(TODAY))
    one = Service.objects.get()
    assert (one.found, one.left, one.minutes, one.note) == (None, None, None, "")


def test_the_same_form_twice_makes_one_record(grand):
    first, second = enter(grand), enter(grand)
    assert second.service == first.service
    assert second.what == "same"
    assert Service.objects.count() == RecordChange.objects.count() == 1


def test_the_same_form_sent_again_with_another_value_corrects_the_record(grand):
    enter(grand)
    again = enter(grand, Entry(TODAY, 75, -4.0, 0.2))
    assert (again.what, again.changed) == ("corrected", ["found"])
    assert Service.objects.get().found == -4.0


def test_two_forms_on_one_day_make_two_records_in_order(grand):
    enter(grand)
    enter(grand, token="form 2")
    assert sorted(Service.objects.values_list("order", flat=True)) == [0, 1]


def test_a_correction_keeps_what_was_and_who_changed_it(grand):
    service = enter(grand).service
    records.correct(service, Entry(TODAY - timedelta(days=1), 60, -3.5, 0.2), RUFUS, NOW)
    newest, first = service.changes.all()
    assert (newest.what, newest.by, newest.by_letter) == ("corrected", "Rufus Pell", True)
    assert newest.values == {"date": ["2026-11-25", "2026-11-24"], "minutes": [75, 60]}
    assert first.what == "entered"
    assert Service.objects.get().technician == "Ida Thorn"


def test_a_correction_that_changes_nothing_leaves_no_trace(grand):
    entry = Entry(TODAY, hardener_at=NOW - timedelta(hours=9), dry_at=NOW, points=(GAP,))
    service = enter(grand, entry, "bedding").service
    local = replace(entry, dry_at=NOW.astimezone(grand.site.zone))
    assert records.correct(service, local, IDA, NOW).what == "same"
    assert service.changes.count() == 1


def test_a_correction_made_on_a_stale_page_is_refused(grand):
    service = enter(grand).service
    seen = service.changes.first().pk
    records.correct(service, Entry(TODAY, 60), RUFUS, NOW, seen)
    with pytest.raises(Refused, match="Rufus Pell has corrected this record meanwhile"):
        records.correct(service, Entry(TODAY, 90), IDA, NOW, seen)
    assert Service.objects.get().minutes == 60


def test_a_record_moved_onto_a_day_with_another_takes_the_place_after_it_with_its_sheet(grand):
    yesterday = TODAY - timedelta(days=1)
    enter(grand, Entry(yesterday, points=(GAP,)), "bedding")
    service = enter(grand, Entry(TODAY, points=(GAP,)), "bedding", "form 2").service
    moved = records.correct(service, Entry(yesterday), IDA, NOW).service
    assert (moved.date, moved.order) == (yesterday, 1)
    assert records.points_of(moved).get().order == 1
    assert WorksheetLine.objects.count() == 2


def test_points_that_came_without_a_record_are_left_alone(grand):
    loose = WorksheetLine.objects.create(
        instrument=grand, kind="bedding", date=TODAY, point="glide 1", condition="at rest", quantity="gap"
    )
    service = enter(grand, Entry(TODAY, points=(GAP,)), "bedding").service
    assert service.order == 1
    records.withdraw(service, IDA, NOW)
    assert list(WorksheetLine.objects.all()) == [loose]


def test_a_withdrawn_record_is_gone_and_its_values_stay_in_the_history(grand):
    service = enter(grand, Entry(TODAY, 45, 0.08, 0.0, points=(GAP,)), "bedding").service
    records.withdraw(service, RUFUS, NOW)
    assert not Service.objects.exists()
    assert not WorksheetLine.objects.exists()
    last = RecordChange.objects.first()
    assert (last.what, last.service) == ("withdrawn", None)
    assert last.values["found"] == [0.08, None]
    assert last.values["worksheet"] == [[GAP.told()], []]
    with pytest.raises(Refused, match="withdrawn since"):
        enter(grand, Entry(TODAY, 45, 0.08), "bedding")


REFUSED = {
    "tomorrow": (Entry(TODAY + timedelta(days=1)), "the day is in the future"),
    "before its service": (Entry(date(1999, 8, 31)), "G-1 was not in service yet"),
    "too far": (Entry(TODAY, found=1300.0), "an impossible value"),
    "a register too far": (Entry(TODAY, registers=(None, None, None, -1300.0)), "an impossible value"),
    "no time at all": (Entry(TODAY, minutes=0), "an impossible time"),
    "more than a day": (Entry(TODAY, minutes=1441), "an impossible time"),
    "too many words": (Entry(TODAY, note="x" * 4001), "the note is too long"),
    "dry before wet": (Entry(TODAY, hardener_at=NOW, dry_at=NOW - timedelta(hours=1)), "dry before"),
    "a look at nothing": (Entry(TODAY, only_measured=True), "no value was found"),
    "a look that left more": (Entry(TODAY, found=2.0, left=0.0, only_measured=True), "left as found"),
    "a look that hardened": (Entry(TODAY, found=2.0, hardener_at=NOW, only_measured=True), "was applied"),
    "dry but never wet": (Entry(TODAY, dry_at=NOW), "not when it was applied"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_is_refused_and_nothing_stored(grand, case):
    entry, words = REFUSED[case]
    with pytest.raises(Refused, match=words):
        enter(grand, entry)
    assert not Service.objects.exists()
    assert not RecordChange.objects.exists()


def test_today_is_the_day_on_the_wall_of_the_site(db):
    room = make.make_room(make.make_site("Far School", "Pacific/Kiritimati"))
    enter(make.make_instrument(room), Entry(date(2026, 11, 26)), now=datetime(2026, 11, 25, 11, tzinfo=UTC))
    assert Service.objects.exists()


def test_a_day_after_the_instrument_was_retired_is_refused(grand):
    grand.retired_on = TODAY - timedelta(days=5)
    with pytest.raises(Refused, match="was retired"):
        enter(grand)
    enter(grand, Entry(TODAY - timedelta(days=5)))


def test_a_kind_that_the_instrument_does_not_get_is_refused(grand):
    upright = make.make_instrument(grand.room, "U-1")
    for kind in ("bedding", "polishing"):
        with pytest.raises(Refused, match="is not done on U-1"):
            enter(upright, kind=kind)


def test_a_kind_the_site_has_added_gets_what_the_kind_it_behaves_like_gets(grand):
    InstrumentKind.objects.create(site=grand.site, kind="tangent-grand", behaves_like="grand")
    one = make.make_instrument(grand.room, "T-1", "tangent-grand")
    assert [kind.kind for kind in records.kinds_for(one)] == ["tuning", "bedding", "regulation", "voicing"]


def test_whoever_decides_hears_of_each_change_once(grand, django_capture_on_commit_callbacks):
    heard = []

    def hear(sender, instrument_ids, **_):
        heard.append(instrument_ids)

    facts_changed.connect(hear)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            service = enter(grand).service
        with django_capture_on_commit_callbacks(execute=True):
            enter(grand)
        with django_capture_on_commit_callbacks(execute=True):
            records.correct(service, Entry(TODAY, 80), IDA, NOW)
        with django_capture_on_commit_callbacks(execute=True):
            records.withdraw(service, IDA, NOW)
    finally:
        facts_changed.disconnect(hear)
    assert heard == [[grand.pk]] * 3


def test_one_token_enters_one_record_even_where_two_posts_slip_past_the_look(grand):
    enter(grand)
    with pytest.raises(IntegrityError), transaction.atomic():
        RecordChange.objects.create(
            instrument=grand, kind="tuning", what="entered", at=NOW, by="Ida", token="form 1", values={}
        )


@pytest.mark.parametrize(
    ("said", "answers"),
    [
        ({}, True),
        ({"found": 9.0, "left": 0.0}, True),
        ({"found": -4.5, "only_measured": True}, True),  # as far out as a teaching grand may be
        ({"found": 4.6, "only_measured": True}, False),
        ({"found": -4.6, "only_measured": True}, False),
    ],
)
def test_a_visit_is_answered_by_work_or_by_a_look_that_found_nothing_to_do(grand, said, answers):
    one = make.make_service(grand, TODAY, **said)
    assert Service.objects.with_answers().get().answers is answers
    assert list(Service.objects.answering()) == [one] * answers
    lines = fleet_facts(grand.site, TODAY, 100).lines
    [tuning] = [line for line in lines if line.subject.service == "tuning"]
    assert len(tuning.subject.answered) == answers
