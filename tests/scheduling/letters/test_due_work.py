"""The command that prints and sends the due-work letters: document, exit codes, and once means once."""

import json
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from scheduling import outbox
from scheduling.models import Letter
from tests import factories, mail_server


def due_work(*args: str) -> dict:
    out = StringIO()
    call_command("due_work", *args, "--format", "json", stdout=out)
    return json.loads(out.getvalue())


def test_without_send_it_prints_the_letters_and_stores_nothing(school):
    document = due_work("2026-W49")
    assert set(document) == {"week", "letters"}
    assert document["week"] == "2026-W49"
    for letter in document["letters"]:
        assert set(letter) == {"to", "subject", "items", "message_id", "state"}
        assert letter["state"] == "due"
    assert [letter["to"] for letter in document["letters"]] == [person.email for person in school.people]
    assert [item["instrument"] for item in document["letters"][0]["items"]] == ["U-12"]
    assert not Letter.objects.exists()


def test_send_sends_each_letter_once_however_often_it_is_called(school, post):
    printed = due_work("2026-W49")
    for _ in range(2):
        sent = due_work("2026-W49", "--send")
        assert [letter["state"] for letter in sent["letters"]] == ["sent", "sent"]
    assert post.ids == {letter["message_id"]: 1 for letter in printed["letters"]}


def test_a_week_already_sent_is_printed_as_sent(school, post):
    due_work("2026-W49", "--send")
    assert {letter["state"] for letter in due_work("2026-W49")["letters"]} == {"sent"}


def test_a_refused_letter_is_told_and_holds_up_no_other(school, post):
    post.to_recipient = "550 nobody here"
    sent = due_work("2026-W49", "--send")
    assert [letter["state"] for letter in sent["letters"]] == ["refused", "refused"]


def test_a_letter_in_doubt_is_told_as_unknown(school, post):
    post.hang_up_after_data = True
    sent = due_work("2026-W49", "--send")
    assert [letter["state"] for letter in sent["letters"]] == ["unknown", "unknown"]


def test_a_server_that_defers_at_first_is_tried_again_in_the_same_run(school, post, monkeypatch):
    post.to_recipient = "451 greylisted"
    monkeypatch.setattr(outbox, "FIRST_WAIT", outbox.FIRST_WAIT / 50)

    def relent(seconds):
        post.to_recipient = "250 OK"

    monkeypatch.setattr(outbox.time, "sleep", relent)
    sent = due_work("2026-W49", "--send")
    assert [letter["state"] for letter in sent["letters"]] == ["sent", "sent"]


def test_where_patience_ends_the_letters_stay_due_and_the_exit_code_is_1(school, post, settings):
    settings.EMAIL_PORT = mail_server.free_port()
    out, err = StringIO(), StringIO()
    with pytest.raises(CommandError, match="stay due") as raised:
        call_command(
            "due_work", "2026-W49", "--send", "--patience", "0", "--format", "json", stdout=out, stderr=err
        )
    assert raised.value.returncode == 1
    assert {letter["state"] for letter in json.loads(out.getvalue())["letters"]} == {"due"}
    assert school.people[0].email in err.getvalue()


def test_today_changes_what_the_letters_speak_of_but_not_when_they_go(school, post):
    factories.make_climate(school.room, factories.TODAY, 1)
    assert "Rooms without readings" not in first_html("2026-11-25")
    assert "Rooms without readings" in first_html("2027-03-01")
    sent = due_work("2026-W49", "--send", "--today", "2027-03-01")
    assert {letter["state"] for letter in sent["letters"]} == {"sent"}


def first_html(today: str) -> str:
    Letter.objects.all().delete()
    due_work("2026-W49", "--send", "--today", today)
    html = Letter.objects.order_by("pk")[0].html
    Letter.objects.all().delete()
    return html


@pytest.mark.parametrize("week", ["2026-W54", "2027-W53", "2026-49", "30 November"])
def test_what_is_no_week_is_refused_with_exit_code_1_and_nothing_stored(school, week):
    with pytest.raises(CommandError, match="week") as raised:
        due_work(week, "--send")
    assert raised.value.returncode == 1
    assert not Letter.objects.exists()


def test_text_shows_address_subject_and_the_letter(school):
    out = StringIO()
    call_command("due_work", "2026-W49", stdout=out)
    assert f"To: {school.people[0].email} (not stored)" in out.getvalue()
    assert "Dear Ilse Brandgruber," in out.getvalue()


def test_a_week_without_anything_has_no_letters(school):
    assert due_work("2026-W10") == {"week": "2026-W10", "letters": []}
