"""The pages of the letters: who sees and changes what, sending again, and returned mails."""

from datetime import UTC, datetime, time
from email.message import EmailMessage

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Role
from fleet.refusal import Refused
from scheduling import letters, outbox, tasks
from scheduling.letter_trouble import read_bounce, take_bounce
from scheduling.models import Letter, LetterChoice
from tests import factories
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)


@pytest.fixture
def house(school, outbox_rows):
    """Logins of every kind beside the school's two technicians, the first of whom has one."""
    school.technician = factories.make_user(school.site)
    type(school.people[0]).objects.filter(pk=school.people[0].pk).update(user=school.technician)
    school.administrator = factories.make_user(school.site, Role.ADMINISTRATOR)
    school.reader = factories.make_user(school.site, Role.READER)
    school.stranger = factories.make_user(factories.make_site("Elsewhere"))
    school.letter = outbox_rows[0]
    return school


def test_members_read_the_letters_and_strangers_find_nothing(client, house):
    one = f"/letters/{house.letter.pk}/"
    for user in (house.technician, house.administrator, house.reader):
        client.force_login(user)
        assert "Ilse Brandgruber" in client.get("/letters/").content.decode()
        assert "Dear Ilse Brandgruber" in client.get(one).content.decode()
        assert client.get("/letters/choices/").status_code == 200
    client.force_login(house.stranger)
    assert "Ilse" not in client.get("/letters/").content.decode()
    for path in (one, f"{one}again/"):
        assert client.post(path).status_code in (404, 405)
    assert client.get(one).status_code == 404
    client.logout()
    for path in ("/letters/", one, "/letters/choices/"):
        assert client.get(path).status_code == 302


def test_the_links_of_a_letter_are_its_readers_alone(client, house):
    for user, own in ((house.technician, True), (house.administrator, False), (house.reader, False)):
        client.force_login(user)
        text = client.get(f"/letters/{house.letter.pk}/").content.decode()
        assert ("/r/" in text) == own
        assert ("~" in text) == own
        assert ("(a link for its reader alone)" in text) != own


def test_money_is_shown_to_administrators_and_to_its_reader_only(client, house):
    office = factories.make_person(house.site, "Ada Quint", role="administrator")
    (row,) = letters.put_in_outbox(house.site, MONDAY, TODAY, NOW, "hours")
    for user, status in ((house.administrator, 200), (house.technician, 404), (house.reader, 404)):
        client.force_login(user)
        assert client.get(f"/letters/{row.pk}/").status_code == status
        assert ("Ada Quint" in client.get("/letters/").content.decode()) == (status == 200)
    type(office).objects.filter(pk=office.pk).update(user=house.reader)
    assert client.get(f"/letters/{row.pk}/").status_code == 200


def test_a_refused_letter_is_shown_with_the_servers_words_and_sent_again_by_a_person(
    client, house, post, monkeypatch, django_capture_on_commit_callbacks
):
    post.to_recipient = "550 5.1.1 nobody here"
    outbox.send(house.letter.pk, lambda: NOW)
    client.force_login(house.technician)
    shown = client.get("/letters/?state=trouble").content.decode()
    assert "550 5.1.1 nobody here" in shown
    assert "Otto Wendling" not in shown
    # The address was wrong; a person corrects it, and the letter goes to the new one under its old identity.
    type(house.people[0]).objects.filter(pk=house.people[0].pk).update(email="ilse@right.example")
    post.to_recipient = "250 OK"
    monkeypatch.setattr(tasks.send_letter, "delay", lambda pk: outbox.send(pk))
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(f"/letters/{house.letter.pk}/again/", follow=True)
    assert "goes out again" in answer.content.decode()
    (mail,) = post.taken
    assert (mail["To"], mail["Message-ID"]) == ("ilse@right.example", house.letter.message_id)
    again = client.post(f"/letters/{house.letter.pk}/again/", follow=True).content.decode()
    assert "this letter is sent" in again
    assert len(post.taken) == 1


def test_readers_send_nothing_again_and_choose_nothing_for_others(client, house):
    client.force_login(house.reader)
    assert client.post(f"/letters/{house.letter.pk}/again/").status_code == 403
    assert client.post("/letters/choices/", {"person": house.people[0].pk}).status_code == 403
    client.force_login(house.technician)
    assert client.post("/letters/choices/", {"person": house.people[1].pk}).status_code == 404
    assert not LetterChoice.objects.exists()


def test_a_technician_chooses_for_himself_and_an_administrator_for_everybody(client, house):
    client.force_login(house.technician)
    text = client.get("/letters/choices/").content.decode()
    assert "Ilse Brandgruber" in text
    assert "Otto Wendling" not in text

    def keep(person, **fields):
        names = {f"person{person.pk}-{name}": value for name, value in fields.items()}
        return client.post("/letters/choices/", {"person": person.pk, **names}, follow=True)

    ilse, otto = house.people
    asked = {"due_work_wanted": "on", "due_work_day": "-3", "due_work_at": "15:00", "time_zone": "Asia/Tokyo"}
    assert "are as you chose" in keep(ilse, **asked).content.decode()
    stored = LetterChoice.objects.get(person=ilse, kind="due_work")
    assert (stored.wanted, stored.day, stored.at, stored.time_zone) == (True, -3, time(15), "Asia/Tokyo")
    assert not LetterChoice.objects.get(person=ilse, kind="alert").wanted
    refused = keep(ilse, **{**asked, "time_zone": "Bree", "due_work_at": "25:00"}).content.decode()
    assert "is not a time zone" in refused
    assert "25:00 is not one of the available choices" in refused
    client.force_login(house.administrator)
    keep(otto, due_work_day="0", due_work_at="06:00", time_zone="")
    assert not LetterChoice.objects.get(person=otto, kind="due_work").wanted


def test_the_list_asks_the_database_as_often_for_many_letters_as_for_two(client, house):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            assert client.get("/letters/").status_code == 200
        return len(seen)

    client.force_login(house.administrator)
    few = queries()
    for number in range(30):
        factories.make_person(house.site, f"Person Z{number}")
    factories.make_request(factories.make_instrument(house.room, "U-99"))
    letters.put_in_outbox(house.site, MONDAY, TODAY, NOW)
    assert Letter.objects.count() == 32
    Letter.objects.update(state="refused")
    assert queries() == few


def bounce(letter: Letter, action: str = "failed", headers_only: bool = False) -> bytes:
    """Return a returned mail laid out as in RFC 3464, appendix E."""
    returned = f"Message-ID: {letter.message_id}\r\nSubject: {letter.subject}\r\n"
    last = "text/rfc822-headers" if headers_only else "message/rfc822"
    return (
        "From: MAILER-DAEMON@mail.example\r\nTo: care@halvermoor.example\r\nMIME-Version: 1.0\r\n"
        'Content-Type: multipart/report; report-type=delivery-status; boundary="B"\r\n\r\n'
        "--B\r\nContent-Type: text/plain\r\n\r\nSorry.\r\n"
        "--B\r\nContent-Type: message/delivery-status\r\n\r\nReporting-MTA: dns; mail.example\r\n\r\n"
        f"Final-Recipient: rfc822; {letter.to}\r\nAction: {action}\r\nStatus: 5.1.1\r\n"
        "Diagnostic-Code: smtp; 550 no such user\r\n\r\n"
        f"--B\r\nContent-Type: {last}\r\n\r\n{returned}\r\nhello\r\n--B--\r\n"
    ).encode()


@pytest.mark.parametrize("headers_only", [False, True])
def test_a_returned_mail_marks_its_letter_as_refused_with_the_reason(outbox_rows, headers_only):
    Letter.objects.update(state="sent", sent_at=NOW)
    letter = take_bounce(bounce(outbox_rows[0], headers_only=headers_only))
    assert (letter.state, letter.trouble) == ("refused", "came back: 5.1.1 smtp; 550 no such user")
    assert Letter.objects.get(pk=outbox_rows[1].pk).state == "sent"


def test_a_delayed_mail_stays_sent_and_says_so(outbox_rows):
    Letter.objects.update(state="sent", sent_at=NOW)
    letter = take_bounce(bounce(outbox_rows[0], "delayed"))
    assert (letter.state, letter.trouble) == ("sent", "on its way: 5.1.1 smtp; 550 no such user")


def test_what_is_no_report_or_names_no_letter_of_ours_changes_nothing(outbox_rows):
    plain = EmailMessage()
    plain.set_content("I am away until Monday.")
    unknown = bounce(outbox_rows[0]).replace(b"letter-", b"other-")
    for raw in (b"", plain.as_bytes(), unknown, bounce(outbox_rows[0]).replace(b"Message-ID", b"X-Nothing")):
        with pytest.raises(Refused):
            take_bounce(raw)
    with pytest.raises(Refused, match="too large"):
        read_bounce(b"x" * 5_000_001)
    assert set(Letter.objects.values_list("state", flat=True)) == {"due"}
