"""What is removed comes back whole: every row that hung on it, to the last value, or nothing."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core import serializers
from django.test import Client

from fleet import records
from fleet.models import (
    Absence,
    Booking,
    ClimateReading,
    FactChange,
    FactHistory,
    Instrument,
    Person,
    Placement,
    PutAway,
    RecordChange,
    Room,
    Sensor,
    Service,
    WorksheetLine,
)
from fleet.putting_away import bring_back, forget_old, put_away, what_hangs_on
from fleet.records import Author, Entry, Point
from fleet.refusal import Refused
from scheduling.models import Letter, PlannedVisit, Scenario, SeasonPlan
from scheduling.ticking import tick
from tests import factories as make
from tests.reports.house import make_house

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
DAY = date(2026, 11, 25)


def everything(*models) -> str:
    """All rows of models, written by a serializer that shares nothing with how things are kept."""
    return serializers.serialize("json", (row for model in models for row in model.objects.order_by("pk")))


def test_an_instrument_comes_back_with_its_placements_requests_visits_and_bookings():
    house = make_house(DAY, instruments=3)
    one = house.instruments[0]
    number = one.pk
    one.services.all().delete()
    booking = Booking.objects.filter(site=house.site).first()
    booking.instruments.set([one])
    make.make_placement(one, house.rooms[1], DAY)
    tables = (Instrument, Placement, Booking, PlannedVisit, Person, SeasonPlan, type(one.requests.model()))
    before = everything(*tables)
    assert what_hangs_on(one)["placements"] == 1
    kept = put_away([one], NOW)
    assert not Instrument.objects.filter(pk=number).exists()
    assert list(booking.instruments.all()) == []
    assert kept.hung["planned visits"] > 0
    FactChange.objects.all().delete()
    assert bring_back(kept, NOW) == one.tag
    assert everything(*tables) == before
    assert list(booking.instruments.values_list("pk", flat=True)) == [number]
    assert FactChange.objects.filter(site=house.site).exists()  # forecasts are made anew
    assert not PutAway.objects.exists()


def test_a_person_comes_back_with_letters_absences_and_the_visits_that_were_theirs():
    house = make_house(DAY, instruments=3)
    person = house.site.people.get(name="Ida Thorn")
    Absence.objects.create(person=person, first_day=DAY, last_day=DAY)
    tables = (Person, Absence, PlannedVisit, Letter)
    before = everything(*tables)
    kept = put_away([person], NOW)
    assert not PlannedVisit.objects.filter(technician__isnull=False).exists()
    bring_back(kept, NOW)
    assert everything(*tables) == before


def test_a_record_withdrawn_is_brought_back_with_its_worksheet_and_both_stand_in_its_history():
    one = make.make_instrument(make.make_room(make.make_site()), "U-1")
    author = Author("Ida Thorn")
    point = Point("A4", "", "pitch", "cents", -3.0, 0.0)
    entry = Entry(DAY, minutes=90, found=-3.25, left=0.1, note="dry", points=[point])
    service = records.record(one, "tuning", entry, author, "form-1", NOW).service
    before = everything(Service, WorksheetLine)
    records.withdraw(service, author, NOW)
    assert not WorksheetLine.objects.exists()
    bring_back(PutAway.objects.get(), NOW)
    assert everything(Service, WorksheetLine) == before
    changes = RecordChange.objects.order_by("pk")
    assert [change.what for change in changes] == ["entered", "withdrawn", "returned"]
    assert {change.service_id for change in changes} == {service.pk}


def test_measurements_and_records_are_not_put_away():
    room = make.make_room(make.make_site(), "Elm Hall")
    ClimateReading.objects.create(room=room, time=NOW, temp_c=20, rh=0.4)
    with pytest.raises(Refused, match="readings of its air"):
        put_away([room], NOW)
    one = make.make_instrument(room, "U-1")
    make.make_service(one, DAY)
    with pytest.raises(Refused, match="retired"):
        put_away([one], NOW)
    other = make.make_room(room.site, "Lark Studio")
    make.make_placement(one, other, DAY)
    with pytest.raises(Refused, match="something rests on Lark Studio"):
        put_away([other], NOW)
    assert (Room.objects.count(), Instrument.objects.count(), PutAway.objects.count()) == (2, 1, 0)


def test_what_has_another_in_its_place_is_not_half_brought_back():
    room = make.make_room(make.make_site(), "Elm Hall")
    one = make.make_instrument(room, "U-1")
    make.make_placement(one, room, DAY)
    kept = put_away([one], NOW)
    make.make_instrument(room, "U-1")
    with pytest.raises(Refused, match="another instrument has taken the place of U-1"):
        bring_back(kept, NOW)
    assert not Placement.objects.exists()
    Instrument.objects.filter(tag="U-1").update(tag="U-2")
    bring_back(kept, NOW)
    assert Placement.objects.get().instrument.tag == "U-1"


def test_what_rests_on_something_gone_meanwhile_stays_away_and_the_rest_comes_back():
    house = make_house(DAY, instruments=2)
    one = house.instruments[0]
    number = one.pk
    one.services.all().delete()
    kept = put_away([one], NOW)
    house.plan.delete()
    bring_back(kept, NOW)
    assert Instrument.objects.filter(pk=number).exists()
    assert not PlannedVisit.objects.exists()


def test_after_thirty_days_the_tick_lets_it_go_for_good_and_the_history_says_so():
    room = make.make_room(make.make_site(), "Elm Hall")
    put_away([make.make_instrument(room, "U-1")], NOW)
    put_away([make.make_instrument(room, "U-2")], NOW + timedelta(days=1))
    assert forget_old(NOW + timedelta(days=30)) == 0
    tick(NOW + timedelta(days=30, seconds=1))
    assert [kept.name for kept in PutAway.objects.all()] == ["U-2"]
    gone = FactHistory.objects.get(what="forgotten")
    assert (gone.name, gone.way) == ("U-1", "command")


def test_a_sensor_put_away_and_back_lets_its_room_be_read_anew_each_time():
    room = make.make_room(make.make_site(), "Elm Hall")
    ClimateReading.objects.create(room=room, time=NOW, temp_c=20, rh=0.4)
    sensor = Sensor.objects.create(
        site=room.site, name="S1", room=room, first_day=DAY - timedelta(days=3), humidity_offset=0.1
    )
    kept = put_away([sensor], NOW)
    assert room.climate_days.get().rh_mean == pytest.approx(0.4)
    bring_back(kept, NOW)
    assert room.climate_days.get().rh_mean == pytest.approx(0.5)


def test_the_pages_ask_before_say_what_goes_along_and_bring_back():
    house = make_house(DAY, instruments=2)
    one, client = house.instruments[0], Client()
    one.services.all().delete()
    client.force_login(house.technician)
    address = f"/put-away/instrument/{one.pk}/"
    assert "planned visit" in client.get(address).content.decode()
    assert Instrument.objects.filter(pk=one.pk).exists()  # asking removes nothing
    assert client.post(address).status_code == 302
    kept = PutAway.objects.get()
    listed = client.get("/put-away/").content.decode()
    assert one.tag in listed
    assert "Bring it back" not in listed
    assert client.post(f"/put-away/{kept.pk}/bring-back/").status_code == 403
    person = house.site.people.first()
    assert client.get(f"/put-away/person/{person.pk}/").status_code == 403
    client.force_login(house.administrator)
    answer = client.post(f"/put-away/{kept.pk}/bring-back/", follow=True)
    assert f"{one.tag} is back" in answer.content.decode()
    said = client.get(f"/history/instrument/{one.pk}/").content.decode()
    assert "brought back" in said
    assert one.tag in client.get("/history/?of=fleet.instrument").content.decode()


def test_a_refusal_is_said_on_the_page_and_nothing_is_removed():
    house = make_house(DAY, instruments=2)
    client = Client()
    client.force_login(house.technician)
    answer = client.post(f"/put-away/room/{house.rooms[0].pk}/")
    assert answer.status_code == 400
    assert "readings of its air" in answer.content.decode()
    assert client.get("/put-away/site/1/").status_code == 404


def test_the_administration_puts_away_too(admin_user):
    house = make_house(DAY, instruments=2)
    client = Client()
    client.force_login(admin_user)
    scenario = Scenario.objects.create(site=house.site, name="s", start=make.MONDAY, weeks=4, asked_at=NOW)
    for label, row in (("fleet/sensor", Sensor.objects.first()), ("scheduling/scenario", scenario)):
        answer = client.post(f"/admin/{label}/{row.pk}/delete/", {"post": "yes"})
        assert answer.status_code == 302
        assert not type(row).objects.filter(pk=row.pk).exists()
    listed = PutAway.objects.order_by("pk").values_list("subject", "way")
    assert list(listed) == [("fleet.sensor", "admin"), ("scheduling.scenario", "admin")]
    assert client.post(f"/admin/fleet/site/{house.site.pk}/delete/", {"post": "yes"}).status_code == 403


def test_pages_of_the_history_ask_as_often_for_many_changes_as_for_few(django_assert_max_num_queries):
    room = make.make_room(make.make_site(), "Elm Hall")
    user, client = make.make_user(room.site), Client()
    client.force_login(user)
    for number in range(45):
        make.make_instrument(room, f"U-{number}")
    client.get("/history/")
    with django_assert_max_num_queries(22):
        assert client.get("/history/").content.count(b"U-4") > 4
    with django_assert_max_num_queries(22):
        client.get("/put-away/")
