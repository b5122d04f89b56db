"""Every way in leaves a trace: pages, imports, commands, the administration's tables, many rows at once."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.acting import Way, acting
from fleet.models import (
    Absence,
    Booking,
    FactHistory,
    Instrument,
    NoteRequest,
    Person,
    Placement,
    Role,
    Room,
    ServiceRule,
)
from tests import factories as make
from tests.fleet.folders import FILES, take, write_folder

pytestmark = pytest.mark.django_db
DAY = date(2026, 11, 25)


def told(**of) -> list[tuple]:
    """The history as plain lines, the oldest first."""
    rows = FactHistory.objects.filter(**of).order_by("pk")
    return [(row.subject, row.name, row.what, row.way, row.by, row.values) for row in rows]


@pytest.fixture
def hall():
    room = make.make_room(make.make_site("Brackwater"), "Elm Hall")
    FactHistory.objects.all().delete()
    return room


def test_what_is_made_changed_and_removed_is_noted_with_what_it_was_and_became(hall):
    one = make.make_instrument(hall, "U-1", kind="upright")
    one.use_class, one.room = "practice", make.make_room(hall.site, "Lark Studio")
    one.save()
    one.delete()
    lines = told(subject="fleet.instrument")
    assert [line[2] for line in lines] == ["entered", "changed", "removed"]
    assert lines[0][5]["room"] == [None, "Elm Hall"]
    assert lines[1][5] == {"use_class": ["teaching", "practice"], "room": ["Elm Hall", "Lark Studio"]}
    assert lines[2][5]["room"] == ["Lark Studio", None]
    assert {line[1] for line in lines} == {"U-1"}


def test_saving_what_is_the_same_notes_nothing(hall):
    one = make.make_instrument(hall, "U-1")
    before = FactHistory.objects.count()
    one.save()
    Instrument.objects.filter(pk=one.pk).update(use_class=one.use_class)
    Instrument.objects.filter(pk=one.pk).update(public_id="another")  # a code is no fact of it
    assert FactHistory.objects.count() == before


def test_many_rows_at_once_are_noted_one_by_one(hall):
    made = [make.make_instrument(hall, f"U-{number}") for number in range(3)]
    FactHistory.objects.all().delete()
    Instrument.objects.filter(site=hall.site).exclude(tag="U-1").update(use_class="store")
    for one in made:
        one.maker = "Aldous & Wren"
    Instrument.objects.bulk_update(made, ["maker"])
    Placement.objects.bulk_create(Placement(instrument=one, room=hall, first_day=DAY) for one in made)
    Placement.objects.filter(instrument=made[0]).delete()
    kept = [(line[0].partition(".")[2], line[2]) for line in told()]
    assert kept == (
        [("instrument", "changed")] * 5 + [("placement", "entered")] * 3 + [("placement", "removed")]
    )
    assert told(subject="fleet.placement")[0][1] == "U-0, Elm Hall, 2026-11-25"


def test_what_stands_on_something_is_found_from_there(hall):
    one = make.make_instrument(hall, "U-1")
    make.make_placement(one, hall, DAY)
    person = make.make_person(hall.site, "Ida Thorn")
    Absence.objects.create(person=person, first_day=DAY, last_day=DAY)
    ServiceRule.objects.filter(service_kind__site=hall.site, use_class="concert").update(hours=2)
    assert len(told(within="fleet.instrument", within_pk=one.pk)) == 1
    assert len(told(within="fleet.person", within_pk=person.pk)) == 1
    assert len(told(within="fleet.servicekind")) == 4
    assert {line[5]["hours"][1] for line in told(within="fleet.servicekind")} == {2}


def test_an_import_of_a_folder_says_that_it_was_one_and_who_began_it(tmp_path):
    folder = write_folder(tmp_path)
    take(folder)
    entered = told(what="entered")
    assert {"fleet.instrument", "fleet.room", "fleet.person"} <= {line[0] for line in entered}
    assert {line[3] for line in entered if line[0] == "fleet.instrument"} == {"import"}
    # The same folder again changes nothing, and another value is noted as a change by an import.
    before = FactHistory.objects.count()
    take(folder)
    assert FactHistory.objects.count() == before
    take(write_folder(tmp_path, rooms_csv=FILES["rooms.csv"].replace("concert", "recitals")))
    assert told()[-1][2:] == ("changed", "import", "", {"use": ["concert", "recitals"]})


def test_the_administrations_tables_leave_a_trace_with_the_name(hall, admin_user):
    one, client = make.make_instrument(hall, "U-1"), Client()
    client.force_login(admin_user)
    admin_user.first_name, admin_user.last_name = "Corin", "Vasey"
    admin_user.save()
    address = f"/admin/fleet/instrument/{one.pk}/change/"
    form = client.get(address).context["adminform"].form
    data = {name: value for name, value in form.initial.items() if value is not None}
    answer = client.post(address, {**data, "maker": "Aldous & Wren"})
    assert answer.status_code == 302, answer.context["errors"]
    assert told(subject="fleet.instrument")[-1][2:] == (
        "changed",
        "admin",
        "Corin Vasey",
        {"maker": ["", "Aldous & Wren"]},
    )


def test_a_request_cannot_be_closed_past_its_history(hall, admin_user):
    client = Client()
    client.force_login(admin_user)
    request = NoteRequest.objects.create(
        instrument=make.make_instrument(hall, "U-1"), symptom="a buzz", made_at="2026-11-25T08:00Z"
    )
    answer = client.post(f"/admin/fleet/noterequest/{request.pk}/change/", {"state": "done"})
    assert answer.status_code == 403
    request.refresh_from_db()
    assert request.state == "open"


def test_the_instruments_of_a_booking_are_noted_by_their_tags(hall):
    tuned, other = make.make_instrument(hall, "G-1"), make.make_instrument(hall, "G-2")
    booking = Booking.objects.create(
        site=hall.site,
        room=hall,
        uid="1",
        title="Quartets",
        starts_at="2026-12-04T18:00Z",
        ends_at="2026-12-04T20:00Z",
    )
    booking.instruments.set([tuned, other])
    booking.instruments.remove(other)
    lines = told(subject="fleet.booking")
    assert [line[5].get("instruments") for line in lines] == [None, ["", "G-1, G-2"], ["G-1, G-2", "G-1"]]


def test_who_acts_is_known_on_pages_and_by_the_way(hall):
    user = make.make_user(hall.site, Role.ADMINISTRATOR, "corin")
    with acting(Way.PAGE, lambda: user):
        Room.objects.filter(pk=hall.pk).update(use="recitals")
        with acting(Way.IMPORT):
            Room.objects.filter(pk=hall.pk).update(use="exams")
    Room.objects.filter(pk=hall.pk).update(use="")
    assert [line[2:5] for line in told(subject="fleet.room")] == [
        ("changed", "page", "corin"),
        ("changed", "import", "corin"),
        ("changed", "command", ""),
    ]


def test_noting_a_thousand_changes_takes_as_many_queries_as_noting_one(hall):
    made = [make.make_instrument(hall, f"U-{number}") for number in range(40)]

    def queries(rows) -> int:
        with CaptureQueriesContext(
            connection,
        ) as captured:
            Instrument.objects.filter(pk__in=[one.pk for one in rows]).update(model=f"of {len(rows)}")
        return len(captured)

    assert queries(made[:1]) == queries(made)
    assert Person.objects.count() == 0
