"""The outbox against a real mail server: what is sent, refused, deferred, in doubt, and who may say so."""

import smtplib
from datetime import timedelta
from email.message import EmailMessage

import pytest
from django.core import mail
from django.db import connection
from django.utils import timezone

from scheduling import outbox
from scheduling.models import Letter
from scheduling.post import InDoubt, NotSent, RefusedForGood, classified
from tests import mail_server
from tests.scheduling.letters.conftest import NOW


@pytest.fixture
def letter(outbox_rows) -> Letter:
    return outbox_rows[0]


def html_of(message: EmailMessage) -> str:
    return message.get_body(("html",)).get_content()


def test_a_letter_goes_out_whole_with_its_own_message_id(letter, post, clock):
    sent = outbox.send(letter.pk, clock)
    assert (sent.state, sent.attempts, sent.sent_at, sent.trouble) == ("sent", 1, NOW, "")
    (message,) = post.taken
    assert message["Message-ID"] == letter.message_id
    assert message["Subject"] == letter.subject
    assert message["To"] == letter.to
    assert "care@halvermoor.example" in message["From"]
    assert message["Date"].datetime == NOW
    assert message["Auto-Submitted"] == "auto-generated"
    whole, calendar = message.iter_parts()
    assert (message.get_content_type(), whole.get_content_type()) == (
        "multipart/mixed",
        "multipart/alternative",
    )
    assert calendar.get_content_type() == "text/calendar"
    assert message.get_body(("plain",)).get_content().splitlines() == letter.text.splitlines()
    assert html_of(message).splitlines() == letter.html.splitlines()


def test_several_letters_share_a_connection_and_trouble_with_one_holds_up_no_other(outbox_rows, post, clock):
    first, second = outbox_rows
    post.refused = first.to
    sent = outbox.send_each([first.pk, second.pk, second.pk], 60, clock)
    assert [letter.pk for letter in sent] == [first.pk, second.pk]
    assert [letter.state for letter in sent] == ["refused", "sent"]
    assert post.ids == {second.message_id: 1}
    assert post.connections == 2  # one more after the trouble


def test_a_sender_whose_time_is_up_leaves_the_rest_to_others(outbox_rows, post, clock, monkeypatch):
    monkeypatch.setattr(outbox, "CLAIMED_TOGETHER", 1)
    assert len(outbox.send_each([row.pk for row in outbox_rows], 0, clock)) == 1
    assert sorted(Letter.objects.values_list("state", flat=True)) == ["due", "sent"]


def test_a_letter_is_sent_once_however_often_it_is_asked_for(letter, post, clock):
    for _ in range(3):
        outbox.send(letter.pk, clock)
        clock.now += timedelta(hours=2)
    assert post.ids == {letter.message_id: 1}


def test_a_claim_keeps_everybody_else_out_until_its_lease_ends(letter, clock):
    claimed = outbox.claim([letter.pk], clock())[0]
    assert claimed.state == "sending"
    assert outbox.claim([letter.pk], clock()) == []
    clock.now += outbox.lease_time()
    assert outbox.release_expired(clock()) == 0
    clock.now += timedelta(seconds=1)
    assert outbox.release_expired(clock()) == 1
    letter.refresh_from_db()
    assert letter.state == "unknown"
    again = outbox.claim([letter.pk], clock())[0]
    assert again.attempts == 2
    assert again.lease != claimed.lease


def test_no_transaction_is_open_while_the_mail_server_is_spoken_to(letter, post, clock, monkeypatch):
    # The test itself runs in one transaction; the sender may not have opened another within it.
    depth = len(connection.savepoint_ids)
    seen = []
    monkeypatch.setattr(
        outbox, "watchers", [lambda stage, row: seen.append((stage, len(connection.savepoint_ids)))]
    )
    outbox.send(letter.pk, clock)
    assert seen == [(stage, depth) for stage in STAGES]


STAGES = ("after_claim", "before_data", "after_250", "after_commit")


@pytest.mark.parametrize("answer", ["550 no such mailbox", "552 too big for you", "501 no"])
def test_a_refusal_for_good_is_kept_with_the_servers_words_and_not_tried_again(letter, post, clock, answer):
    post.to_recipient = answer
    refused = outbox.send(letter.pk, clock)
    assert refused.state == "refused"
    assert answer in refused.trouble
    clock.now += timedelta(days=1)
    assert outbox.send(letter.pk, clock) is None
    assert post.tries == 1


def test_a_refusal_after_the_data_is_a_refusal_too(letter, post, clock):
    post.after_data = "554 we do not want this"
    assert outbox.send(letter.pk, clock).state == "refused"


def test_a_server_that_is_busy_gets_the_letter_later_and_later(letter, post, clock):
    post.to_recipient = "451 come back later"
    waits = []
    for _ in range(4):
        row = outbox.send(letter.pk, clock)
        assert (row.state, "451 come back later" in row.trouble) == ("due", True)
        waits.append((row.next_try_at - clock()).total_seconds())
        assert outbox.send(letter.pk, clock) is None
        clock.now = row.next_try_at
    assert waits == [5, 10, 20, 40]
    post.to_recipient = "250 OK"
    assert outbox.send(letter.pk, clock).state == "sent"
    assert post.ids == {letter.message_id: 1}


def test_a_deferral_after_the_data_is_no_doubt(letter, post, clock):
    post.after_data = "452 full"
    assert outbox.send(letter.pk, clock).state == "due"


@pytest.mark.parametrize("attempts, seconds", [(1, 5), (2, 10), (10, 2560), (11, 3600), (500, 3600)])
def test_the_wait_doubles_up_to_an_hour(attempts, seconds):
    assert outbox.wait_after(attempts).total_seconds() == seconds


def test_without_a_server_the_letter_stays_due(letter, post, settings, clock):
    settings.EMAIL_PORT = mail_server.free_port()
    row = outbox.send(letter.pk, clock)
    assert row.state == "due"
    assert "refused" in row.trouble


def test_a_connection_lost_before_the_data_is_no_doubt(letter, post, clock):
    post.hang_up_at_data = True
    assert outbox.send(letter.pk, clock).state == "due"


@pytest.mark.parametrize("where", ["hang_up_inside_data", "hang_up_after_data"])
def test_a_connection_lost_after_the_data_is_a_doubt_and_is_tried_again_under_the_same_id(
    letter, post, clock, where
):
    setattr(post, where, True)
    row = outbox.send(letter.pk, clock)
    assert row.state == "unknown"
    setattr(post, where, False)
    assert outbox.send(letter.pk, clock) is None
    clock.now = row.next_try_at
    assert outbox.send(letter.pk, clock).state == "sent"
    assert set(post.ids) == {letter.message_id}
    assert post.ids[letter.message_id] == (2 if where == "hang_up_after_data" else 1)


def test_repeats_are_the_same_letter_to_the_byte_but_for_the_boundary(letter, post, clock):
    post.hang_up_after_data = True
    clock.now = outbox.send(letter.pk, clock).next_try_at
    post.hang_up_after_data = False
    outbox.send(letter.pk, clock)
    first, second = post.taken
    for header in ("Message-ID", "Date", "Subject", "From", "To"):
        assert first[header] == second[header]
    assert html_of(first) == html_of(second)


def test_too_slow_a_server_is_left_before_the_data_so_that_no_lease_is_overrun(
    letter, post, clock, monkeypatch
):
    def late(stage, row):
        if stage == "before_data":
            clock.now += outbox.lease_time() / 2 + timedelta(seconds=1)

    monkeypatch.setattr(outbox, "watchers", [late])
    assert outbox.send(letter.pk, clock).state == "due"
    assert post.taken == []


def test_only_the_holder_of_the_lease_may_say_what_became_of_a_letter(letter, post, clock, monkeypatch):
    def overtaken(stage, row):
        if stage == "after_250" and row.attempts == 1:
            clock.now += outbox.lease_time() + timedelta(seconds=1)
            outbox.release_expired(clock())
            outbox.claim([letter.pk], clock())

    monkeypatch.setattr(outbox, "watchers", [overtaken])
    row = outbox.send(letter.pk, clock)
    assert (row.state, row.attempts) == ("sending", 2)


def test_a_sender_that_was_only_slow_can_still_say_that_it_sent(letter, post, clock, monkeypatch):
    def slow(stage, row):
        if stage == "after_250":
            clock.now += outbox.lease_time() + timedelta(seconds=1)
            outbox.release_expired(clock())

    monkeypatch.setattr(outbox, "watchers", [slow])
    assert outbox.send(letter.pk, clock).state == "sent"
    assert outbox.send(letter.pk, clock) is None


def test_another_way_out_that_fails_leaves_the_letter_due(letter, settings, clock, monkeypatch):
    def broken(self, messages):
        raise OSError("disk full")

    monkeypatch.setattr(mail.get_connection().__class__, "send_messages", broken)
    row = outbox.send(letter.pk, clock)
    assert (row.state, row.trouble) == ("due", "OSError: disk full")


def test_a_folder_holds_each_letter_once_as_a_file_that_mail_programs_open(letter, settings, clock, tmp_path):
    settings.EMAIL_BACKEND = "scheduling.post.FolderPost"
    settings.EMAIL_FILE_PATH = tmp_path / "letters"
    assert outbox.send(letter.pk, clock).state == "sent"
    Letter.objects.filter(pk=letter.pk).update(state="unknown", next_try_at=NOW)
    assert outbox.send(letter.pk, clock).state == "sent"
    (file,) = (tmp_path / "letters").iterdir()
    assert file.suffix == ".eml"
    assert letter.message_id.encode() in file.read_bytes()


def test_a_folder_that_cannot_be_written_leaves_the_letter_due(letter, settings, clock, tmp_path):
    settings.EMAIL_BACKEND = "scheduling.post.FolderPost"
    (tmp_path / "letters").write_text("a file where the folder should be")
    settings.EMAIL_FILE_PATH = tmp_path / "letters"
    assert outbox.send(letter.pk, clock).state == "due"


@pytest.mark.parametrize(
    "error, in_doubt, meaning",
    [
        (smtplib.SMTPRecipientsRefused({"a@example.org": (550, b"no")}), False, RefusedForGood),
        (smtplib.SMTPRecipientsRefused({"a@example.org": (450, b"later")}), False, NotSent),
        (smtplib.SMTPSenderRefused(553, b"not you", "b@example.org"), False, RefusedForGood),
        (smtplib.SMTPDataError(554, b"no"), False, RefusedForGood),
        (smtplib.SMTPDataError(421, b"bye"), False, NotSent),
        # A login or a greeting refused for good says nothing about the letter.
        (smtplib.SMTPAuthenticationError(535, b"wrong password"), False, NotSent),
        (smtplib.SMTPConnectError(554, b"not here"), False, NotSent),
        (smtplib.SMTPServerDisconnected("gone"), False, NotSent),
        (smtplib.SMTPServerDisconnected("gone"), True, InDoubt),
        (TimeoutError("slow"), True, InDoubt),
        (smtplib.SMTPDataError(-1, b"gibberish"), True, InDoubt),
    ],
)
def test_each_failure_means_one_thing_for_the_letter(error, in_doubt, meaning):
    assert type(classified(error, in_doubt=in_doubt)) is meaning


def test_send_all_goes_on_until_each_letter_is_settled(outbox_rows, post):
    Letter.objects.update(next_try_at=NOW - timedelta(days=60))
    outbox.send_all([row.pk for row in outbox_rows], until=timezone.now() + timedelta(seconds=30))
    assert sorted(post.ids.values()) == [1, 1]
    assert set(Letter.objects.values_list("state", flat=True)) == {"sent"}


def test_send_all_stops_when_its_time_is_up(outbox_rows, post, clock):
    post.to_recipient = "451 later"
    outbox.send_all([row.pk for row in outbox_rows], until=clock(), clock=clock)
    assert set(Letter.objects.values_list("state", flat=True)) == {"due"}
    assert post.tries == 2


def test_a_mail_server_gone_for_a_day_loses_nothing_and_gets_each_letter_once(outbox_rows, settings, clock):
    settings.EMAIL_BACKEND, settings.EMAIL_HOST = "scheduling.post.ServerPost", "127.0.0.1"
    settings.EMAIL_PORT = mail_server.free_port()
    ids = [row.pk for row in outbox_rows]

    def five_minutes_pass() -> None:
        clock.now += timedelta(minutes=5)
        outbox.send_each(list(outbox.due(clock.now).values_list("pk", flat=True)), 60, clock)

    while clock.now < NOW + timedelta(days=1):
        five_minutes_pass()
    states = Letter.objects.filter(pk__in=ids).values_list("state", "attempts")
    assert {state for state, _ in states} == {"due"}
    # Waits double from five seconds to an hour: a score and some tries in a day, not one every tick.
    assert all(24 <= attempts <= 40 for _, attempts in states)
    manners = mail_server.Manners()
    with mail_server.running(manners, settings.EMAIL_PORT):
        back = clock.now
        while len(manners.taken) < len(ids):
            five_minutes_pass()
            assert clock.now <= back + timedelta(minutes=65)
    assert sorted(manners.ids.values()) == [1] * len(ids)
    assert set(Letter.objects.filter(pk__in=ids).values_list("state", flat=True)) == {"sent"}
