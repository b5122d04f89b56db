"""From an invitation to a login with a second factor, in a real browser, and the pages it leads over."""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from axe_playwright_python.sync_playwright import Axe
from django_otp.oath import TOTP
from django_otp.plugins.otp_totp.models import TOTPDevice

from scheduling import mail
from scheduling.models import Letter
from tests.browser.test_pages_in_a_browser import AXE, sign_in
from tests.reports.house import make_house

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
]
NARROW_AND_WIDE = pytest.mark.parametrize(
    "visit", [(360, "dark"), (1280, "light")], indirect=True, ids=["phone-dark", "wide"]
)


@pytest.fixture
def house(live_server):
    house = make_house(datetime.now().date(), instruments=2)
    house.administrator.username = "administrator"
    house.administrator.save()
    return house


def reads_well(visit, name):
    assert visit.overflow() <= 0, f"{name} is wider than the window"
    found = Axe().run(visit.page, options=AXE)
    assert found.violations_count == 0, f"{name}: {found.generate_report()}"


def press(visit, words):
    with visit.arriving():
        visit.page.get_by_role("button", name=words).first.click()


def figures(username, *, later=0):
    """What an authenticator shows that has read the secret; every figure is good once."""
    device = TOTPDevice.objects.get(user__username=username)
    totp = TOTP(device.bin_key, drift=later)
    totp.time = datetime.now().timestamp()
    return f"{totp.token():06d}"


@NARROW_AND_WIDE
def test_from_an_invitation_to_a_login_with_a_second_factor(visit, house):
    page = visit.page
    sign_in(visit)
    visit.open("/members/")
    reads_well(visit, "members")
    page.fill("#email", "ines@example.org")
    page.select_option('form[action="/members/invite/"] select', "technician")
    press(visit, "Send the invitation")
    assert page.get_by_text("ines@example.org").count()
    path = re.search(r"http\S+?(/join/\S+/)", str(mail.message_of(Letter.objects.get()).body))[1]
    press(visit, "Sign out")

    visit.open(path)
    reads_well(visit, "join")
    page.fill("#id_full_name", "Ines Moor")
    page.fill("#id_username", "ines")
    page.fill("#id_password", "harp in the attic")
    page.fill("#id_again", "harp in the attic")
    press(visit, "Make the account and join")
    assert page.get_by_text("you belong to Brackwater Conservatory").count()

    visit.open("/account/second-factor/")
    reads_well(visit, "second factor, none")
    page.fill("#id_old", "harp in the attic")
    press(visit, "Begin")
    assert page.locator(".qr svg").is_visible()
    reads_well(visit, "second factor, being set up")
    page.fill("#id_code", figures("ines"))
    press(visit, "Set it up")
    assert page.locator(".codes code").count() == 10
    reads_well(visit, "second factor, spare codes")
    spare = page.locator(".codes code").first.inner_text()
    visit.open("/account/")
    reads_well(visit, "account")
    press(visit, "Sign out")

    for code in (figures("ines", later=1), spare):
        visit.open("/login/")
        page.fill("#id_username", "ines")
        page.fill("#id_password", "harp in the attic")
        press(visit, "Sign in")
        assert page.url.endswith("/login/code/")
        reads_well(visit, "login, second step")
        page.fill("#id_code", code)
        press(visit, "Sign in")
        assert page.url.rstrip("/") == visit.origin
        press(visit, "Sign out")
    assert visit.strayed == []
    assert visit.complaints == []


@NARROW_AND_WIDE
def test_the_pages_on_which_a_site_is_set_up_read_well(visit, house):
    sign_in(visit)
    tuning = house.site.service_kinds.get(kind="tuning").pk
    person = house.site.people.first().pk
    for path in (
        "/settings/",
        "/settings/services/",
        f"/settings/services/{tuning}/",
        "/settings/people/",
        f"/settings/people/{person}/",
        "/settings/terms/",
        "/settings/days-off/?country=AT",
        "/account/password/",
        "/login/forgot/",
    ):
        visit.open(path)
        reads_well(visit, path)
    assert visit.strayed == []
    assert visit.complaints == []
