"""Who may open which page: a member, a colleague of another site, a stranger, and nobody at all."""

from __future__ import annotations

import pytest
from django.urls import get_resolver, reverse
from django.utils import timezone

from fleet import uploads
from fleet.middleware import SESSION_KEY
from fleet.models import Membership, Role
from scheduling.models import DraftOrder
from tests import factories as make


def pages_of(house) -> dict[str, str]:
    instrument, room = house.instruments[0], house.rooms[0]
    upload = house.site.readings_uploads.first() or brought(room)
    return {
        "this_week": "/",
        "instruments": "/instruments/",
        "fleet": "/fleet/",
        "fleet_figure": "/fleet/figures/use/",
        "fleet_file": "/fleet/as/csv/",
        "instrument_file": "/instruments/as/csv/",
        "forecast_score": "/forecasts/score/",
        "rooms": "/rooms/",
        "week_plan": "/week/2026-W48/",
        "season_plan": "/season/",
        "budget": "/budget/",
        "budget_export": "/budget/csv/",
        "requests": "/requests/",
        "instrument": f"/instruments/{instrument.pk}/",
        "instrument_forecasts": f"/instruments/{instrument.pk}/forecasts/",
        "instrument_figure": f"/instruments/{instrument.pk}/figures/tuning/",
        "service": f"/services/{instrument.services.first().pk}/",
        "room": f"/rooms/{room.pk}/",
        "room_figure": f"/rooms/{room.pk}/figures/wood/",
        "one_season_plan": f"/season/{house.plan.pk}/",
        "what_if": "/season/what-if/",
        "draft_order": f"/season/drafts/{draft_order(house).pk}/",
        "climate": f"/rooms/{room.pk}/climate/",
        "compare_rooms": "/rooms/compare/",
        "compare_figure": "/rooms/compare/figure/",
        "sensors": "/sensors/",
        "readings_uploads": "/uploads/",
        "readings_upload": f"/uploads/{upload.pk}/",
        "upload_figure": f"/uploads/{upload.pk}/figure/",
    }


def brought(room):
    """A file of readings that waits to be stored."""
    text = "time,temp °C,RH %\n" + "".join(f"2026-11-{day} 12:00,20,4{day % 10}\n" for day in range(10, 20))
    return uploads.begin(room.site, "log.csv", [text.encode()], room, None, timezone.now())


@pytest.fixture(autouse=True)
def folder_of_uploads(settings, tmp_path):
    settings.UPLOADS_DIR = tmp_path


def draft_order(house) -> DraftOrder:
    wanted = {"start": house.plan.start, "weeks": 18, "asked_at": house.plan.made_at}
    return DraftOrder.objects.get_or_create(site=house.site, **wanted)[0]


OF_ONE_THING = (
    "instrument",
    "instrument_forecasts",
    "instrument_figure",
    "service",
    "room",
    "room_figure",
    "climate",
    "one_season_plan",
    "draft_order",
    "readings_upload",
    "upload_figure",
)


@pytest.fixture
def elsewhere(db):
    return make.make_user(make.make_site("Another School"))


def test_every_page_of_the_reports_is_tried_here(house):
    from reports.urls import urlpatterns

    named = {pattern.name for pattern in urlpatterns}
    assert named - {"login", "logout", "choose_site"} == set(pages_of(house))
    assert get_resolver()


def test_a_member_reads_every_page(client, house):
    client.force_login(house.technician)
    for name, path in pages_of(house).items():
        assert client.get(path).status_code == 200, name


def test_a_reader_and_an_administrator_read_every_page(client, house):
    for user in (house.administrator, make.make_user(house.site, Role.READER)):
        client.force_login(user)
        for name, path in pages_of(house).items():
            assert client.get(path).status_code == 200, name


def test_a_colleague_of_another_site_finds_nothing_of_this_one(client, house, elsewhere):
    client.force_login(elsewhere)
    for name, path in pages_of(house).items():
        answer = client.get(path)
        if name in OF_ONE_THING:
            assert answer.status_code == 404, name
        else:
            assert answer.status_code == 200, name
            text = answer.content.decode()
            assert house.site.name not in text
            assert house.instruments[0].tag not in text
            assert house.rooms[0].name not in text


def test_a_stranger_with_a_login_is_told_how_a_site_comes_about(client, house):
    client.force_login(make.make_user())
    for name, path in pages_of(house).items():
        answer = client.get(path)
        if name in (
            *OF_ONE_THING,
            "budget_export",
            "instrument_file",
            "fleet_figure",
            "fleet_file",
            "week_plan",
        ):
            assert answer.status_code == 404, name
        else:
            assert "import_folder" in answer.content.decode(), name
            assert house.site.name not in answer.content.decode()


def test_nobody_is_sent_to_the_login_and_back(client, house):
    for name, path in pages_of(house).items():
        answer = client.get(path)
        assert answer.status_code == 302, name
        assert answer.url == f"/login/?next={path}"


def test_pages_only_answer_reading(client, house):
    client.force_login(house.technician)
    for name, path in pages_of(house).items():
        assert client.post(path).status_code == 405, name


def test_a_thing_of_another_own_site_shows_in_the_frame_of_that_site(client, house, elsewhere):
    Membership.objects.create(user=elsewhere, site=house.site, role=Role.READER)
    client.force_login(elsewhere)
    text = client.get(f"/instruments/{house.instruments[0].pk}/").content.decode()
    assert "<title>G-01 – Brackwater Conservatory</title>" in text
    assert "Stay with Brackwater Conservatory" in text
    assert "– Another School</title>" in client.get("/rooms/").content.decode()


def test_choosing_a_site_changes_what_the_pages_are_about(client, house, elsewhere):
    Membership.objects.create(user=elsewhere, site=house.site, role=Role.READER)
    client.force_login(elsewhere)
    assert "Another School" in client.get("/rooms/").content.decode()
    answer = client.post(reverse("choose_site"), {"site": house.site.pk})
    assert answer.url == "/"
    assert client.session[SESSION_KEY] == house.site.pk
    assert "– Brackwater Conservatory</title>" in client.get("/rooms/").content.decode()


@pytest.mark.parametrize("asked", ["", "x", "999999"])
def test_a_site_that_is_not_ones_own_cannot_be_chosen(client, house, elsewhere, asked):
    client.force_login(elsewhere)
    assert client.post(reverse("choose_site"), {"site": asked or house.site.pk}).status_code == 404
    assert SESSION_KEY not in client.session


def test_a_site_is_not_chosen_by_following_a_link(client, house):
    client.force_login(house.technician)
    assert client.get(reverse("choose_site"), {"site": house.site.pk}).status_code == 405


def test_the_login_says_so_when_name_and_password_do_not_belong_together(client, house):
    text = client.post("/login/", {"username": "nobody", "password": "wrong"}).content.decode()
    assert 'role="alert"' in text
    assert "do not belong together" in text


def test_signing_in_leads_to_this_week(client, house):
    answer = client.post("/login/", {"username": house.technician.username, "password": "a long word"})
    assert answer.url == "/"
