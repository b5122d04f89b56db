"""Print the due-work letters of a week, and send them in this process if asked to."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from django.core.management.base import CommandError, CommandParser
from django.utils import timezone

from fleet.commands import AlmanacCommand, Output
from fleet.refusal import Refused
from fleet.weeks import monday_of, week_of
from scheduling import letters, outbox
from scheduling.drafts import Draft
from scheduling.letter_choices import DUE_WORK, wishes
from scheduling.models import Letter

PATIENCE_SECONDS = 600


class Command(AlmanacCommand):
    help = "Prints the due-work letters of a week; with --send sends each once per person and week."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("week", metavar="WEEK", help="ISO week such as 2026-W49")
        parser.add_argument("--send", action="store_true", help="send them in this process")
        parser.add_argument(
            "--patience",
            type=int,
            default=PATIENCE_SECONDS,
            metavar="SECONDS",
            help="how long to go on trying while the mail server fails for now",
        )

    def run(self, options: dict[str, Any]) -> Output:
        monday = week_argument(options["week"])
        for wish in wishes(self.site, DUE_WORK):
            if not wish.wanted:
                self.progress(f"{wish.person.email}: wants no letters of due work")
        if options["send"]:
            self.send(monday, options["patience"])
        shown = self.shown(monday)
        return {"week": week_of(monday), "letters": [described(one) for one in shown]}, told(shown)

    def send(self, monday: date, patience: int) -> None:
        """Store the week's letters and send what is not sent."""
        now = timezone.now()
        rows = letters.put_in_outbox(self.site, monday, self.today, now)
        # Letters are sent at the true time, whatever day --today lets them speak of.
        outbox.send_all([row.pk for row in rows], until=now + timedelta(seconds=patience))
        left = [row for row in letters.stored(self.site, monday) if row.state in ("due", "sending")]
        for row in left:
            self.progress(f"{row.to}: not sent yet, {row.trouble or 'another process has it'}")
        if left:
            self.stayed_due = True

    stayed_due = False

    def handle(self, *args: Any, **options: Any) -> None:
        super().handle(*args, **options)
        if self.stayed_due:
            raise CommandError("some letters did not go out; they stay due and are tried again")

    def shown(self, monday: date) -> list[Letter | Draft]:
        """Return the stored letters of the week and, for who has none, what would be written."""
        rows = letters.stored(self.site, monday)
        done = {row.person_id for row in rows}
        drafts = letters.compose(self.site, monday, self.today)
        return [*rows, *(draft for draft in drafts if draft.person.pk not in done)]


def week_argument(text: str) -> date:
    """Return the Monday of the week.

    Raises
    ------
    Refused
        Where the text names no week.
    """
    try:
        return monday_of(text)
    except ValueError as error:
        raise Refused(str(error), column="WEEK") from error


def described(letter: Letter | Draft) -> dict[str, Any]:
    """Return a letter as the JSON document lists it."""
    return {
        "to": letter.to if isinstance(letter, Letter) else letter.person.email,
        "subject": letter.subject,
        "items": letter.items,
        "message_id": letter.message_id,
        "state": letter.state if isinstance(letter, Letter) else Letter.State.DUE.value,
    }


def told(shown: list[Letter | Draft]) -> Iterator[str]:
    """Return the letters as text, one after the other."""
    if not shown:
        yield "Nobody has work, requests or warnings in this week."
    for letter in shown:
        head = described(letter)
        stored = f"{head['state']}" if isinstance(letter, Letter) else "not stored"
        yield f"To: {head['to']} ({stored})"
        if isinstance(letter, Letter) and letter.trouble:
            yield f"Trouble: {letter.trouble}"
        yield f"Subject: {letter.subject}\n\n{letter.text}"
