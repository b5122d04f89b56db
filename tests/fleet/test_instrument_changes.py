"""Changing many instruments at once: shown before, all or none, with the record of where they stood kept."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from fleet import instrument_changes
from fleet.instrument_changes import ChangedMeanwhile, Move, PlayingChange, Retirement, Return, UseChange
from fleet.models import FactChange, InstrumentChange, Placement
from fleet.records import Author
from fleet.refusal import Refused
from scheduling.inputs import fleet_facts
from tests import factories as make
from tests.factories import TODAY

IDA = Author("Ida Thorn")
DAY = timedelta(days=1)


@pytest.fixture
def now():
    return make.datetime(2026, 11, 25, 8, tzinfo=make.UTC)


@pytest.fixture
def school(db):
    site = make.make_site()
    make.make_room(site, "Cellar")
    make.make_room(site, "Studio")
    for tag in ("U-1", "U-2"):
        make.make_instrument(site.rooms.get(name="Cellar"), tag)
    return site


def do(site, change, now, tags=("U-1", "U-2")):
    ids = list(site.instruments.filter(tag__in=tags).values_list("pk", flat=True))
    rows = instrument_changes.rows_of(change, instrument_changes.with_places(site, ids), site.local_date(now))
    seen = instrument_changes.digest_of(rows)
    return instrument_changes.carry_out(change, site, ids, seen, IDA, now)


def stood(one) -> list[tuple[str, date, date | None]]:
    return [(row.room.name, row.first_day, row.last_day) for row in one.placements.order_by("first_day")]


def test_a_move_closes_where_it_stood_and_begins_where_it_stands(school, now):
    studio = school.rooms.get(name="Studio")
    do(school, Move(studio, TODAY - 7 * DAY), now)
    for one in school.instruments.all():
        assert one.room == studio
        # Nothing was on record before: it stood in the cellar since it entered service.
        assert stood(one) == [
            ("Cellar", date(1999, 9, 1), TODAY - 8 * DAY),
            ("Studio", TODAY - 7 * DAY, None),
        ]
    assert FactChange.objects.filter(instrument__site=school).count() == 2
    told = InstrumentChange.objects.first()
    assert (told.what, told.before, told.after, told.by) == ("room", "Cellar", "Studio", "Ida Thorn")


def test_a_move_after_an_ended_placement_writes_down_the_days_between(school, now):
    one = school.instruments.get(tag="U-1")
    studio, cellar = school.rooms.get(name="Studio"), one.room
    make.make_placement(one, studio, date(2026, 9, 1), date(2026, 9, 30))
    do(school, Move(studio, date(2026, 11, 1)), now, ["U-1"])
    assert stood(one) == [
        ("Studio", date(2026, 9, 1), date(2026, 9, 30)),
        (cellar.name, date(2026, 10, 1), date(2026, 10, 31)),
        ("Studio", date(2026, 11, 1), None),
    ]


def test_the_same_day_moved_again_corrects_the_move(school, now):
    studio, third = school.rooms.get(name="Studio"), make.make_room(school, "Third")
    do(school, Move(studio, TODAY), now, ["U-1"])
    do(school, Move(third, TODAY), now, ["U-1"])
    one = school.instruments.get(tag="U-1")
    assert stood(one)[-1] == ("Third", TODAY, None)
    assert len(stood(one)) == 2
    assert one.room == third


def test_a_move_ahead_is_told_now_and_made_on_its_day(school, now):
    studio, monday = school.rooms.get(name="Studio"), TODAY + 5 * DAY
    do(school, Move(studio, monday), now, ["U-1"])
    one = school.instruments.get(tag="U-1")
    assert one.room.name == "Cellar"
    stays = next(
        line.subject.stays for line in fleet_facts(school, TODAY, 60).lines if line.instrument_id == one.pk
    )
    assert [(stay.room, stay.from_day) for stay in stays][-1] == ("Studio", monday.toordinal())
    assert instrument_changes.let_rooms_follow(school, monday - DAY) == 0
    assert instrument_changes.let_rooms_follow(school, monday) == 1
    assert instrument_changes.let_rooms_follow(school, monday + DAY) == 0
    one.refresh_from_db()
    assert one.room == studio


def test_a_move_ahead_that_another_overtakes_brings_it_nowhere(school, now):
    studio, third = school.rooms.get(name="Studio"), make.make_room(school, "Third")
    monday = TODAY + 5 * DAY
    do(school, Move(studio, monday), now, ["U-1"])
    do(school, Move(third, monday), now, ["U-1"])
    assert instrument_changes.let_rooms_follow(school, monday) == 1
    assert school.instruments.get(tag="U-1").room == third


def test_one_refusal_leaves_all_as_they_were(school, now):
    one = school.instruments.get(tag="U-2")
    make.make_placement(one, school.rooms.get(name="Studio"), TODAY + 30 * DAY)
    with pytest.raises(Refused, match="U-2: A later move is on record"):
        do(school, Move(school.rooms.get(name="Studio"), TODAY), now)
    assert Placement.objects.count() == 1
    assert not InstrumentChange.objects.exists()
    assert not FactChange.objects.exists()


@pytest.mark.parametrize(
    ("day", "why"),
    [
        (date(1999, 9, 1), "entered service"),
        (TODAY + 400 * DAY, "more than a year ahead"),
    ],
)
def test_a_day_on_which_it_cannot_move_is_said(school, now, day, why):
    with pytest.raises(Refused, match=why):
        do(school, Move(school.rooms.get(name="Studio"), day), now)


def test_what_was_seen_has_to_be_what_is_there(school, now):
    ids = list(school.instruments.values_list("pk", flat=True))
    rows = instrument_changes.rows_of(
        UseChange("concert"), instrument_changes.with_places(school, ids), TODAY
    )
    seen = instrument_changes.digest_of(rows)
    school.instruments.filter(tag="U-1").update(use_class="store")
    with pytest.raises(ChangedMeanwhile):
        instrument_changes.carry_out(UseChange("concert"), school, ids, seen, IDA, now)
    assert set(school.instruments.values_list("use_class", flat=True)) == {"store", "teaching"}


def test_use_hours_and_service_are_changed_and_kept_in_the_history(school, now):
    do(school, UseChange("recital"), now)
    do(school, PlayingChange(21.5), now)
    do(school, Retirement(TODAY), now, ["U-1"])
    assert set(school.instruments.values_list("use_class", "hours_played_per_week")) == {("recital", 21.5)}
    gone = school.instruments.get(tag="U-1")
    assert gone.retired_on == TODAY
    do(school, Return(), now, ["U-1"])
    gone.refresh_from_db()
    assert gone.retired_on is None
    assert [change.what for change in gone.changes.all()] == ["returned", "retired", "playing", "use_class"]


def test_nothing_to_change_is_said_and_those_that_are_so_already_keep_no_history(school, now):
    with pytest.raises(Refused, match="nothing to change"):
        do(school, UseChange("teaching"), now)
    school.instruments.filter(tag="U-1").update(use_class="recital")
    assert len(do(school, UseChange("recital"), now)) == 1
    assert InstrumentChange.objects.count() == 1


def test_the_form_takes_all_or_none_and_no_instrument_of_another_site(client, school, now):
    client.force_login(make.make_user(school))
    other = make.make_instrument(make.make_room(make.make_site()))
    mine = school.instruments.get(tag="U-1")
    form = {"what": "use_class", "to_use": "recital"}
    assert client.post("/instruments/change/", {**form, "chosen": f"{mine.pk} {other.pk}"}).status_code == 404
    stale = client.post("/instruments/change/", {**form, "chosen": str(mine.pk), "seen": "of yesterday"})
    assert stale.status_code == 302
    assert stale.headers["Location"].startswith("/instruments/chosen/?what=use_class")
    mine.refresh_from_db()
    assert mine.use_class == "teaching"
    wrong = client.post("/instruments/change/", {"what": "playing", "hours": "900", "chosen": str(mine.pk)})
    assert "hours=900" in wrong.headers["Location"]
