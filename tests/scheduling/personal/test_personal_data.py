"""What names a person is told whole; once removed, no column of any table holds the name any more."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client

from fleet import records, requests
from fleet.acting import Way, acting
from fleet.models import FactHistory, NoteRequest, Person, RecordChange, RequestState, Service
from fleet.records import Author, Entry
from fleet.refusal import Refused
from scheduling.letter_choices import HABITS
from scheduling.models import Letter, LetterChoice, PlannedVisit, Scenario
from scheduling.personal.removing import remove
from scheduling.personal.subject import of_person, of_user, with_words
from scheduling.personal.telling import tell
from tests import factories as make
from tests.reports.house import House, make_house

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
NAME = "Ida Thorn"


@pytest.fixture
def house() -> House:
    """A house in whose every corner Ida Thorn is named, twice within one calendar folded over lines."""
    house = make_house(make.TODAY, instruments=3)
    user, one = house.technician, house.instruments[0]
    user.first_name, user.last_name, user.email = "Ida", "Thorn", "ida@brackwater.example"
    user.save()
    person = house.site.people.get(name=NAME)
    entry = Entry(make.TODAY, found=2.0, note="ida thorn measured; Idas Gerät")
    records.record(one, "tuning", entry, Author(NAME, user.pk), "form-1", NOW)
    request = one.requests.first()
    requests.answer_request(request, RequestState.DONE, f"{NAME} found a pin", True, user, NOW)
    NoteRequest.objects.filter(pk=request.pk).update(made_by=NAME, words=f"ask {NAME}")
    Letter.objects.create(
        person=person,
        iso_year=2026,
        iso_week=48,
        to=person.email,
        subject=f"The week of {NAME}",
        text=f"Dear {NAME},",
        html=f"<p>Dear {NAME}</p>",
        items=[{"technician": NAME, "deep": [{"to": person.email}]}],
        calendar="BEGIN:VCALENDAR\r\nSUMMARY:with Ida Th\r\n orn\r\nEND:VCALENDAR\r\n",
        message_id="<1@example.org>",
        made_at=NOW,
        next_try_at=NOW,
    )
    Scenario.objects.create(
        site=house.site,
        name="s",
        start=make.MONDAY,
        weeks=4,
        asked_at=NOW,
        asker=NAME,
        words=[f"{NAME} away"],
    )
    with acting(Way.PAGE, lambda: user):
        one.maker = "Aldous"
        one.save()
    client = Client()
    client.force_login(user)
    client.get("/")
    return house


def everything() -> str:
    """Every row of every table as the driver gives it, in small letters."""
    said = []
    with connection.cursor() as cursor:
        for model in apps.get_models(include_auto_created=True):
            cursor.execute(f'SELECT * FROM "{model._meta.db_table}"')
            said.append(str(cursor.fetchall()))
    return "\n".join(said).replace("\\r\\n ", "").lower()


def test_once_removed_no_table_holds_the_name_and_nothing_of_the_instruments_is_lost(house):
    person = house.site.people.get(name=NAME)
    email, username = person.email, house.technician.get_username()
    counts = {
        model: model.objects.count() for model in (Service, NoteRequest, PlannedVisit, Letter, RecordChange)
    }
    assert NAME.lower() in everything()
    changed = remove(with_words(of_person(person), ["Idas"]), NOW)
    assert sum(changed.values()) >= 7
    left = everything()
    for word in (NAME.lower(), email.lower(), "ida@brackwater.example", "idas gerät", f"'{username}'"):
        assert word not in left, word
    assert counts == {model: model.objects.count() for model in counts}
    service = Service.objects.get(note__contains="measured")
    assert (service.technician, service.note, service.found) == (
        "somebody",
        "somebody measured; somebody Gerät",
        2,
    )
    assert RecordChange.objects.filter(service=service).get().by == "somebody"
    assert RecordChange.objects.filter(user__isnull=False).count() == 0
    letter = Letter.objects.get()
    assert letter.state == "refused"
    assert letter.to == f"somebody-{person.pk}@removed.invalid"
    assert "with somebody" in letter.calendar
    person.refresh_from_db()
    assert (person.name, person.user, person.hours_per_week) == (f"somebody {person.pk}", None, 0)
    assert set(
        LetterChoice.objects.filter(person=person, wanted=False).values_list("kind", flat=True)
    ) == set(HABITS)
    said = FactHistory.objects.filter(what="forgotten").get()
    assert "somebody" not in said.name


def test_the_account_is_closed_and_its_sessions_end(house):
    client = Client()
    client.force_login(house.technician)
    assert client.get("/").status_code == 200
    remove(of_user(house.technician), NOW)
    assert client.get("/").status_code == 302
    house.technician.refresh_from_db()
    assert not house.technician.is_active
    assert not house.technician.has_usable_password()


def test_who_works_elsewhere_too_keeps_the_account_and_that_site_stays_as_it_is(house):
    other = make_house(make.TODAY, instruments=1, name="Another School")
    elsewhere = Person.objects.get(site=other.site, name=NAME)
    make.make_service(other.instruments[0], make.TODAY - timedelta(days=1), technician=NAME)
    from fleet.models import Membership

    Membership.objects.create(user=house.technician, site=other.site, role="technician")
    remove(of_person(house.site.people.get(name=NAME)), NOW)
    house.technician.refresh_from_db()
    assert house.technician.is_active
    assert house.technician.get_full_name() == NAME
    assert not Membership.objects.filter(user=house.technician, site=house.site).exists()
    elsewhere.refresh_from_db()
    assert elsewhere.name == NAME
    assert Service.objects.filter(instrument__site=other.site, technician=NAME).exists()
    assert not Service.objects.filter(instrument__site=house.site, technician=NAME).exists()


def test_names_of_others_and_of_rooms_stay(house):
    make.make_person(house.site, "Ida Thornton")
    hall = house.rooms[0]
    hall.name = f"{NAME} Hall"
    hall.save()
    remove(of_person(house.site.people.get(name=NAME)), NOW)
    assert Person.objects.filter(name="Ida Thornton").exists()
    hall.refresh_from_db()
    assert hall.name == f"{NAME} Hall"


def test_everything_that_names_a_person_is_told_and_nothing_that_opens_doors(house):
    person = house.site.people.get(name=NAME)
    document = json.loads(json.dumps(tell(of_person(person), NOW)))
    assert document["account"]["email"] == "ida@brackwater.example"
    assert document["account"]["memberships"] == [{"site": house.site.name, "role": "technician"}]
    rows = document["rows"]
    assert {"people", "services", "note requests", "letters", "planned visits", "record changes"} <= set(rows)
    assert {row["technician"] for row in rows["services"]} == {NAME}
    assert rows["letters"][0]["text"] == f"Dear {NAME},"
    said = json.dumps(document)
    assert house.technician.password not in said
    assert "form-1" not in said
    assert "Rufus Pell" not in said


def test_a_site_is_not_left_without_an_administrator(house):
    with pytest.raises(Refused, match="would have no administrator"):
        remove(of_user(house.administrator), NOW)
    with pytest.raises(Refused, match="too short"):
        with_words(of_user(house.administrator), ["I."])


def test_the_page_asks_for_the_name_and_lets_nobody_else_decide(house):
    person, client = house.site.people.get(name=NAME), Client()
    client.force_login(house.technician)
    rufus = house.site.people.get(name="Rufus Pell")
    assert client.post("/personal-data/export/", {"person": rufus.pk}).status_code == 403
    assert (
        client.post("/personal-data/remove/", {"person": rufus.pk, "confirm": "Rufus Pell"}).status_code
        == 403
    )
    own = client.post("/personal-data/export/")
    assert NAME in own.content.decode()
    assert "attachment" in own["Content-Disposition"]
    client.force_login(house.administrator)
    assert "Rufus Pell" in client.get("/personal-data/").content.decode()
    refused = client.post("/personal-data/remove/", {"person": person.pk, "confirm": "Ida"})
    assert refused.status_code == 400
    assert Person.objects.filter(name=NAME).exists()
    done = client.post("/personal-data/remove/", {"person": person.pk, "confirm": NAME}, follow=True)
    assert "stays" in done.content.decode()
    assert not Person.objects.filter(name=NAME).exists()


def test_the_command_tells_and_removes_only_when_it_is_meant(house, tmp_path, monkeypatch):
    monkeypatch.setattr("django.core.management.base.connections.close_all", lambda: None)
    file = tmp_path / "ida.json"
    call_command("personal_data", "tell", person=NAME, file=file)
    assert {NAME, "ida@brackwater.example"} <= set(json.loads(file.read_text())["looked_for"])
    with pytest.raises(CommandError, match="cannot be undone"):
        call_command("personal_data", "remove", person=NAME)
    call_command("personal_data", "remove", person=NAME, yes=True)
    assert not Person.objects.filter(name=NAME).exists()
    with pytest.raises(CommandError, match="no such person"):
        call_command("personal_data", "tell", person=NAME)
