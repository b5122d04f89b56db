"""The pages on which a site is set up: what is kept, what is refused in words, and who is told of it."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from fleet import intake
from fleet.models import (
    Absence,
    ClimateDay,
    ClimateReading,
    FactChange,
    Person,
    Role,
    ServiceKind,
    ServiceRule,
    Term,
)
from tests import factories as make
from tests.doors import DAYS, KIND, PERSON, RULES, SITE, TERM

pytestmark = pytest.mark.django_db


@pytest.fixture
def site(db):
    return make.make_site("Brackwater Conservatory")


@pytest.fixture
def head(site, client):
    user = make.make_user(site, Role.ADMINISTRATOR)
    client.force_login(user)
    FactChange.objects.all().delete()
    return user


def told():
    """Whether forecasts were told, of the whole site; asked once."""
    said = FactChange.objects.filter(instrument=None, room=None).exists()
    FactChange.objects.all().delete()
    return said


def test_the_sites_own_facts_are_kept_and_forecasts_told(client, head, site):
    form = {**SITE, "currency": "CHF", "hour_cost": "61,50", "mail_sender": "care@example.org"}
    assert client.post("/settings/", form).status_code == 302
    site.refresh_from_db()
    assert (site.name, site.currency, float(site.hour_cost)) == ("A New Name", "CHF", 61.5)
    assert (site.reserve_hours, site.mail_sender) == (2, "care@example.org")
    assert told()


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"time_zone": "Europe/Nowhere"}, "is not a time zone"),
        ({"currency": "euro"}, "at most 3 characters"),
        ({"currency": "eur"}, "Three capital letters"),
        ({"hour_cost": "many"}, "is not a number"),
        ({"hour_cost": "-1"}, "From 0 to"),
        ({"reserve_hours": ""}, "A number is needed"),
        ({"reserve_hours": "169"}, "From 0 to 168"),
        ({"mail_sender": "nobody"}, "valid email"),
        ({"name": " "}, "required"),
        ({"name": "Taken School"}, "already exists"),
    ],
)
def test_what_a_site_cannot_be_is_said_and_changes_nothing(client, head, site, changed, said):
    make.make_site("Taken School")
    answer = client.post("/settings/", {**SITE, **changed})
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page
    assert "– Brackwater Conservatory</title>" in page, "the frame shows what is stored"
    site.refresh_from_db()
    assert site.name == "Brackwater Conservatory"
    assert not told()


def test_in_another_time_zone_the_days_of_air_are_counted_anew(client, head, site):
    """A reading at 23:30 UTC on 1 March lies on 2 March in Vienna, and on the first in London."""
    room = make.make_room(site)
    ClimateReading.objects.create(room=room, time=datetime(2026, 3, 1, 23, 30, tzinfo=UTC), temp_c=20, rh=0.4)
    intake.rebuild_days(room)
    assert ClimateDay.objects.get(room=room).date == date(2026, 3, 2)
    client.post("/settings/", {**SITE, "time_zone": "Europe/London"})
    assert ClimateDay.objects.get(room=room).date == date(2026, 3, 1)


def test_the_figures_of_a_service_are_kept_by_use_class_and_go_back_to_the_first_ones(client, head, site):
    kind = ServiceKind.objects.get(site=site, kind="tuning")
    form = {**RULES, "concert-tolerance": "1,8", "practice-interval_days": "180", "store-weight": "0"}
    assert client.post(f"/settings/services/{kind.pk}/", form).status_code == 302
    concert, practice = (kind.rules.get(use_class=use) for use in ("concert", "practice"))
    assert (concert.tolerance, concert.hours, practice.interval_days) == (1.8, 1.5, 180)
    assert told()
    page = client.get(f"/settings/services/{kind.pk}/").content.decode()
    assert "to begin with 4.5" in page
    client.post(f"/settings/services/{kind.pk}/reset/")
    # The table of what a site begins with, tuning: 2 cents and weight 8 in concert, 150 days in practice.
    assert list(kind.rules.filter(use_class="concert").values_list("tolerance", "weight")) == [(2, 8)]
    assert kind.rules.get(use_class="practice").interval_days == 150
    assert told()


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("concert-tolerance", "0", "More than 0"),
        ("concert-tolerance", "two", "is not a number"),
        ("recital-weight", "-1", "From 0"),
        ("store-hours", "", "A number is needed"),
        ("store-interval_days", "0", "greater than or equal to 1"),
        ("store-spacing_weeks", "61", "less than or equal to 60"),
    ],
)
def test_a_figure_out_of_bounds_is_said_and_none_is_kept(client, head, site, field, typed, said):
    kind = ServiceKind.objects.get(site=site, kind="tuning")
    answer = client.post(f"/settings/services/{kind.pk}/", {**RULES, field: typed})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert kind.rules.get(use_class="practice").tolerance == 9
    assert not told()


def test_beside_which_services_one_is_shorter_is_kept_and_said(client, head, site):
    kind = ServiceKind.objects.get(site=site, kind="tuning")
    form = {**RULES, "shorter_beside": ["regulation"], "shorter_by_hours": "0,5"}
    assert client.post(f"/settings/services/{kind.pk}/", form).status_code == 302
    kind.refresh_from_db()
    assert (kind.shorter_beside, kind.shorter_by_hours) == (["regulation"], 0.5)
    assert told()
    assert (
        "Shorter by 0.5 h in the same week as regulation"
        in client.get("/settings/services/").content.decode()
    )
    for wrong in ({"shorter_beside": ["tuning"]}, {"shorter_by_hours": "0"}):
        assert client.post(f"/settings/services/{kind.pk}/", {**form, **wrong}).status_code == 422


def test_a_kind_of_service_is_added_with_figures_for_every_use_class(client, head, site):
    assert (
        client.post("/settings/services/", {**KIND, "instrument_kinds": ["harpsichord"]}).status_code == 302
    )
    kind = ServiceKind.objects.get(site=site, kind="strings")
    assert (kind.unit, kind.instrument_kinds) == ("mm", ["harpsichord"])
    assert ServiceRule.objects.filter(service_kind=kind, tolerance=3, hours=1.5).count() == 5
    assert told()
    assert "already exists" in client.post("/settings/services/", KIND).content.decode()
    assert "no figures to go back to" in (
        client.post(f"/settings/services/{kind.pk}/reset/", follow=True).content.decode()
    )


def test_a_person_is_added_and_changed_and_tied_to_a_member(client, head, site):
    form = {**PERSON, "working_days": ["0", "4"], "skills": ["tuning", "voicing"], "hour_cost": "48"}
    assert client.post("/settings/people/new/", form).status_code == 302
    person = Person.objects.get(site=site, name="Ines Moor")
    assert (person.working_days, person.skills, person.hours_per_week) == ([0, 4], ["tuning", "voicing"], 10)
    assert (f"{person.day_from:%H:%M}", person.lunch_minutes, float(person.hour_cost)) == ("08:00", 30, 48)
    assert told()
    client.post(f"/settings/people/{person.pk}/", {**form, "hours_per_week": "", "user": head.pk})
    person.refresh_from_db()
    assert (person.hours_per_week, person.user) == (None, head)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"day_until": "07:00"}, "end after it begins"),
        ({"hours_per_week": "169"}, "From 0 to 168"),
        ({"working_days": []}, "at least one"),
        ({"skills": ["juggling"]}, "not one of the available choices"),
        ({"lunch_minutes": "300"}, "less than or equal to 240"),
        ({"name": "Rufus Pell"}, "already exists"),
        ({"role": "king"}, "not one of the available choices"),
    ],
)
def test_what_a_person_cannot_be_is_said_and_stores_nobody(client, head, site, changed, said):
    make.make_person(site, "Rufus Pell")
    answer = client.post("/settings/people/new/", {**PERSON, **changed})
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert Person.objects.filter(site=site).count() == 1


def test_days_away_are_noted_and_taken_back(client, head, site):
    person = make.make_person(site)
    path = f"/settings/people/{person.pk}/away/"
    wrong = client.post(path, {"first_day": "2026-12-04", "last_day": "2026-12-01"})
    assert wrong.status_code == 422
    assert "before the first" in wrong.content.decode()
    assert client.post(path, DAYS).status_code == 302
    assert told()
    assert client.post(path, DAYS).status_code == 422, "the same days once"
    client.post(f"/settings/absences/{Absence.objects.get().pk}/remove/")
    assert not Absence.objects.exists()


def test_terms_are_added_changed_and_removed(client, head, site):
    assert client.post("/settings/terms/", TERM).status_code == 302
    term = Term.objects.get(site=site)
    assert (term.name, term.weight_factor, term.playing_factor) == ("Vacation", 0.2, 0)
    assert told()
    assert "already exists" in client.post("/settings/terms/", TERM).content.decode()
    client.post(f"/settings/terms/{term.pk}/", {**TERM, "weight_factor": "0.5"})
    term.refresh_from_db()
    assert term.weight_factor == 0.5
    wrong = client.post(
        f"/settings/terms/{term.pk}/", {**TERM, "last_day": "2026-11-01", "playing_factor": "x"}
    )
    assert wrong.status_code == 422
    client.post(f"/settings/terms/{term.pk}/", {"remove": "yes"})
    assert not Term.objects.exists()
    assert told()


def test_the_calendar_of_holidays_is_chosen_and_a_day_switched(client, head, site):
    assert "Burgenland" not in client.get("/settings/days-off/?country=AT").content.decode()
    client.post("/settings/days-off/calendar/", {"country": "AT", "part": "9"})
    site.refresh_from_db()
    assert (site.holiday_country, site.holiday_subdivision) == ("AT", "9")
    assert told()
    assert "Christmas Day" in client.get("/settings/days-off/").content.decode()
    client.post("/settings/days-off/day/", {"day": "2026-12-24", "free": "yes", "name": "shut"})
    assert site.days_off.get().name == "shut"
    for text in ("", "24.12.", "0001-01-01"):
        said = client.post("/settings/days-off/day/", {"day": text, "free": "yes"}, follow=True)
        assert "no date" in said.content.decode()
    said = client.post("/settings/days-off/calendar/", {"country": "ZZ"}, follow=True).content.decode()
    assert "no holidays are known" in said


def test_who_is_no_administrator_reads_the_settings_and_finds_no_form(client, site):
    make.make_person(site, hour_cost=77)
    make.make_term(site, date(2026, 12, 1), date(2026, 12, 31), "Vacation")
    client.force_login(make.make_user(site, Role.READER))
    for path in ("", "services/", "people/", "terms/", "days-off/"):
        page = client.get(f"/settings/{path}")
        assert page.status_code == 200
        content = page.content.decode().split("<main")[1].split("</main>")[0]
        assert "<form" not in content, path
        assert "77" not in content, "what an hour of somebody costs is for administrators"


def test_the_pages_ask_as_often_for_many_people_as_for_few(client, head, site, django_assert_max_num_queries):
    def count():
        with django_assert_max_num_queries(40) as asked:
            client.get("/settings/people/")
            client.get("/settings/services/")
            client.get("/settings/terms/")
        return len(asked)

    make.make_person(site)
    few = count()
    for number in range(20):
        make.make_absence(make.make_person(site), date(2026, 12, 1), date(2026, 12, 2))
        make.make_term(site, date(2026, 12, 1), date(2026, 12, 31), f"Term no. {number}")
    assert count() == few
