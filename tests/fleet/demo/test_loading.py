"""The demo comes in through the door that every folder takes."""

import json
from dataclasses import replace
from datetime import timedelta
from io import StringIO

import pytest
from django.contrib.auth import get_user_model
from django.core.management import CommandError, call_command

from fleet import demo as demo_package
from fleet.demo import loading
from fleet.demo.folder import write_fleet
from fleet.models import (
    Booking,
    ClimateDay,
    ClimateReading,
    HeldVisit,
    Instrument,
    Membership,
    NoteRequest,
    Person,
    Placement,
    Room,
    Service,
    Site,
    WorksheetLine,
)
from fleet.refusal import Refused
from tests.fleet.demo.fleets import SMALL, TODAY


@pytest.fixture
def small(monkeypatch):
    """The same door with a small fleet behind it: the whole one takes ten seconds."""
    spec = replace(SMALL, name=loading.DEMO.name, n_instruments=4, n_rooms=2)

    def write(folder, today, progress):
        return write_fleet(folder, spec, today, progress)

    monkeypatch.setattr(loading, "write_demo_folder", write)


def loaded(**options):
    out = StringIO()
    call_command("load_demo", stdout=out, stderr=StringIO(), today=TODAY.isoformat(), **options)
    return out.getvalue()


def counts():
    models = (Site, Room, Instrument, Service, ClimateReading, Booking, Person, Membership, get_user_model())
    return [model.objects.count() for model in models]


@pytest.mark.django_db
def test_the_whole_demo_is_taken_and_its_faults_are_marked():
    said = json.loads(loaded(format="json"))
    site = Site.objects.get(name=said["site"])
    assert Instrument.objects.filter(site=site).count() == 60
    assert Room.objects.filter(site=site).count() == 30
    assert Room.objects.filter(site=site, borrows_from__isnull=False).count() == 1
    assert ClimateReading.objects.filter(room__site=site).count() > 500_000
    assert Placement.objects.filter(instrument__site=site).count() >= 4
    assert WorksheetLine.objects.filter(instrument__site=site, quantity="knock").exists()
    assert NoteRequest.objects.filter(instrument__site=site, state="open").count() >= 5
    assert HeldVisit.objects.filter(instrument__site=site).count() == 2
    assert Booking.objects.filter(site=site, performance=True, instruments__isnull=False).exists()
    assert Person.objects.get(site=site, by_contract=True).role == "technician"
    doubts = ClimateReading.objects.filter(room__site=site).exclude(doubt="")
    # Three weeks of hours, less a first day before the rule can tell; and five jumps.
    assert doubts.filter(doubt="stuck").count() == pytest.approx(21 * 24, abs=24)
    assert doubts.filter(doubt="jump").count() == 5
    silent = ClimateDay.objects.filter(room__site=site, hours_covered=0).values("room").distinct().count()
    assert silent == 1  # the stuck sensor's room; the silent one has no days at all then
    assert not ClimateReading.objects.filter(time__date__gte=TODAY).exists()


@pytest.mark.django_db
def test_loading_twice_changes_nothing_and_tells_no_password_again(small):
    first = json.loads(loaded(format="json"))
    before = counts()
    hashes = list(get_user_model().objects.values_list("username", "password"))
    second = json.loads(loaded(format="json"))
    assert all(user["password"] for user in first["users"])
    assert [user["password"] for user in second["users"]] == [None, None]
    assert counts() == before
    assert list(get_user_model().objects.values_list("username", "password")) == hashes


@pytest.mark.django_db
def test_the_users_have_their_passwords_and_are_people_of_the_site(small):
    login = demo_package.load(TODAY)
    for user in login.users:
        found = get_user_model().objects.get(username=user.username)
        assert found.check_password(user.password)
        assert user.password not in found.password
        assert Membership.objects.get(user=found).role == user.role == user.username
        assert Person.objects.get(user=found).name == user.person
        assert user.password in str(login)
    assert not get_user_model().objects.filter(is_staff=True).exists()


@pytest.mark.django_db
def test_another_day_over_the_same_site_is_refused_and_nothing_is_stored(small):
    loaded()
    before = counts()
    with pytest.raises(Refused, match="there already with other facts"):
        loading.load(TODAY + timedelta(days=1))
    assert counts() == before


@pytest.mark.django_db
def test_a_fact_changed_since_is_not_overwritten(small):
    loaded()
    Instrument.objects.filter(tag="G-001").update(maker="Corrected by hand")
    with pytest.raises(CommandError, match=r"1 changed in instruments\.csv") as refused:
        loaded()
    assert refused.value.returncode == 1
    assert Instrument.objects.get(tag="G-001").maker == "Corrected by hand"


@pytest.mark.django_db
def test_somebody_elses_user_of_that_name_is_left_alone(small):
    get_user_model().objects.create_user("technician", password="of another client")
    with pytest.raises(Refused, match="names of its users"):
        loading.load(TODAY)
    assert not Site.objects.exists()
    assert get_user_model().objects.count() == 1


@pytest.mark.django_db
def test_the_folder_alone_imports_nothing(tmp_path):
    said = json.loads(loaded(format="json", folder=tmp_path / "out"))
    assert "instruments.csv" in said["files"]
    assert not Site.objects.exists()
    with pytest.raises(CommandError, match="not an empty folder") as refused:
        loaded(folder=tmp_path / "out")
    assert refused.value.returncode == 2


@pytest.mark.django_db
def test_a_fleet_of_any_size_is_taken(small_folder):
    out = StringIO()
    call_command("import_folder", small_folder, stdout=out, stderr=StringIO(), today=TODAY.isoformat())
    assert Instrument.objects.count() == SMALL.n_instruments
    assert Room.objects.count() == SMALL.n_rooms
