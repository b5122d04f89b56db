"""Ways out for a letter, a mail server and a folder, that tell sure failure from doubt."""

from __future__ import annotations

import os
import smtplib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

from django.conf import settings
from django.core.mail import EmailMessage
from django.core.mail.backends.base import BaseEmailBackend
from django.core.mail.backends.smtp import EmailBackend

END_OF_DATA = b"\r\n.\r\n"


class PostError(Exception):
    """A letter that did not go out as it should."""


class NotSent(PostError):
    """The letter surely did not go out; a later try may succeed."""


class RefusedForGood(PostError):
    """The mail server refused this letter for good; another try would be refused alike."""


class InDoubt(PostError):
    """The whole letter went to the server, and no answer came back: it may be delivered or not."""


def nothing() -> None:
    """Do nothing before the data of a letter."""


class WatchedSMTP(smtplib.SMTP):
    """A connection that knows whether a whole letter is with the server and its answer outstanding."""

    in_doubt = False
    before_data: Callable[[], None] = staticmethod(nothing)

    def send(self, s: Any) -> None:
        """Send bytes; once the end of the data is out, the server may have taken the letter."""
        super().send(s)
        if isinstance(s, bytes) and s.endswith(END_OF_DATA):
            self.in_doubt = True

    def data(self, msg: Any) -> tuple[int, bytes]:
        """Send the DATA command and the letter; an answer to it ends the doubt, gibberish does not."""
        self.before_data()
        code, answer = super().data(msg)
        self.in_doubt = code < 0
        return code, answer


class WatchedSMTPOverTLS(WatchedSMTP, smtplib.SMTP_SSL):
    """The same over TLS from the first byte on."""


class ServerPost(EmailBackend):
    """Send over SMTP.

    Parameters
    ----------
    before_data : called right before the DATA command; what it raises stops the letter, known not sent
    """

    def __init__(self, *args: object, before_data: Callable[[], None] = nothing, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.before_data = before_data

    @property
    def connection_class(self) -> type[WatchedSMTP]:
        """The watched form of the connection that Django would open."""
        return WatchedSMTPOverTLS if self.use_ssl else WatchedSMTP

    def open(self) -> bool | None:
        """Open the connection unless it is open.

        Raises
        ------
        NotSent
            Where no server answers as it should.
        """
        try:
            return super().open()
        except Exception as error:
            raise NotSent(said(error)) from error

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        """Send letters one by one; a caller that opens the connection itself also closes it.

        Raises
        ------
        NotSent, RefusedForGood, InDoubt
            For the first letter that did not go out.
        """
        opened = self.open()
        connection = cast(WatchedSMTP, self.connection)
        connection.before_data = self.before_data
        try:
            return super().send_messages(email_messages)
        except PostError:
            raise
        except Exception as error:
            raise classified(error, in_doubt=connection.in_doubt) from error
        finally:
            if opened:
                self.close()

    def close(self) -> None:
        """Say goodbye; what fails now says nothing about a letter."""
        try:
            super().close()
        except OSError:
            self.connection = None


def classified(error: Exception, *, in_doubt: bool) -> PostError:
    """Return what a failed try means for the letter."""
    if in_doubt:
        return InDoubt(said(error))
    # A login or a greeting refused for good is trouble of the server's settings, not of this letter.
    about_letter = isinstance(
        error, smtplib.SMTPRecipientsRefused | smtplib.SMTPSenderRefused | smtplib.SMTPDataError
    )
    if about_letter and all(500 <= code < 600 for code in answer_codes(error)):
        return RefusedForGood(said(error))
    return NotSent(said(error))


def answer_codes(error: Exception) -> list[int]:
    """Return the codes of the server's answers in an error."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return [code for code, _ in error.recipients.values()]
    return [error.smtp_code] if isinstance(error, smtplib.SMTPResponseException) else []


def said(error: Exception) -> str:
    """Return an error in the server's own words where it had any."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return "; ".join(f"{to}: {code} {words(text)}" for to, (code, text) in error.recipients.items())
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {words(error.smtp_error)}"
    return f"{type(error).__name__}: {error}"


def words(answer: str | bytes) -> str:
    """Return a server's answer as text."""
    return answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer


class FolderPost(BaseEmailBackend):
    """Lay each letter into a folder, named after its Message-ID, so that a repeat replaces itself."""

    def __init__(self, *args: object, before_data: Callable[[], None] = nothing, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.before_data = before_data
        self.folder = Path(settings.EMAIL_FILE_PATH)  # type: ignore[misc]

    def send_messages(self, email_messages: Sequence[EmailMessage]) -> int:
        """Write each letter whole or not at all.

        Raises
        ------
        NotSent
            Where the folder cannot be written.
        """
        for message in email_messages:
            self.before_data()
            try:
                self._write(message)
            except OSError as error:
                raise NotSent(said(error)) from error
        return len(email_messages)

    def _write(self, message: EmailMessage) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        whole = message.message()
        name = "".join(c for c in str(whole["Message-ID"]).strip("<>") if c.isalnum() or c in "-_.@")
        part = self.folder / f".{name}.{os.getpid()}"
        part.write_bytes(whole.as_bytes())
        part.replace(self.folder / f"{name}.eml")
