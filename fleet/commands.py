"""What every command of the almanac shares: site, clock, one document or plain text, and exit codes."""

from __future__ import annotations

import json
from argparse import ArgumentTypeError
from collections.abc import Iterable
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection
from django.utils import timezone

from fleet.models import Site
from fleet.refusal import Refused

Output = tuple[dict[str, Any], str | Iterable[str]]


class RefusedInput(CommandError):
    """The input is refused and nothing was changed: exit code 1."""


class WrongUsage(CommandError):
    """The command was called in a way it does not offer: exit code 2."""

    def __init__(self, *args: object) -> None:
        super().__init__(*args, returncode=2)


class AlmanacCommand(BaseCommand):
    """A command with ``--format``, ``--site`` and ``--today``; subclasses write :meth:`run`.

    ``self.site``, ``self.today`` (date) and ``self.now`` (aware) are set before ``run`` is called. With
    ``--today`` the clock stands at noon of that day, site local. A subclass whose ``needs_site`` is false
    finds ``self.site`` None and gets ``self.today`` only where ``--today`` is given.
    """

    needs_site = True
    site: Site
    today: date
    now: datetime

    def add_arguments(self, parser: CommandParser) -> None:
        """Add the options every command takes; a subclass calls this and adds its own."""
        parser.add_argument(
            "--format", choices=("text", "json"), default="text", help="json: one document on stdout"
        )
        parser.add_argument("--site", metavar="NAME", help="needed where several sites exist")
        parser.add_argument("--today", type=day_argument, metavar="YYYY-MM-DD", help="fix the clock")

    def run(self, options: dict[str, Any]) -> Output:
        """Do the work and return the document and the text that says the same."""
        raise NotImplementedError

    def handle(self, *args: Any, **options: Any) -> None:
        """Set site and clock, do the work, print one document or the text."""
        require_tables()
        try:
            self.set_clock_and_site(options)
            document, text = self.run(options)
        except Refused as refused:
            raise RefusedInput(str(refused)) from refused
        if options["format"] == "json":
            self.stdout.write(as_json(document))
        else:
            for line in [text] if isinstance(text, str) else text:
                self.stdout.write(line)

    def set_clock_and_site(self, options: dict[str, Any]) -> None:
        """Read the site by name and the clock once, so that a run has one now."""
        site = choose_site(options["site"]) if self.needs_site else None
        zone = site.zone if site else timezone.get_current_timezone()
        day = options["today"]
        if isinstance(day, str):  # given by another command instead of a shell
            day = day_argument(day)
        self.site = site  # type: ignore[assignment]
        self.now = datetime.combine(day, time(12), zone) if day else timezone.now()
        self.today = site.local_date(self.now) if site else day

    def progress(self, line: str) -> None:
        """Say on stderr how far a long step is; stdout is kept for the result."""
        self.stderr.write(line, str)
        self.stderr.flush()


def day_argument(text: str) -> date:
    """Return the date of an option.

    Raises
    ------
    argparse.ArgumentTypeError
        Where it is not a date; the parser turns this into wrong usage.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text!r} is not a date, expected a form like 2026-11-25") from None


def require_tables() -> None:
    """Refuse a database without tables before its error would be a riddle."""
    if Site._meta.db_table not in connection.introspection.table_names():
        raise WrongUsage("the database has no tables yet: run manage.py migrate first")


def choose_site(name: str | None) -> Site:
    """Return the site of that name, or the only one.

    Raises
    ------
    Refused
        Where there is none, none of that name, or several and no name.
    """
    names = sorted(Site.objects.values_list("name", flat=True))
    if not names:
        raise Refused("there is no site yet: import a folder or load the demo first")
    known = ", ".join(names[:20]) + (" …" if len(names) > 20 else "")
    if name is None and len(names) > 1:
        raise Refused("several sites exist, so --site is needed", accepted=known)
    if name is not None and name not in names:
        raise Refused("there is no such site", column="--site", value=name, accepted=known)
    return Site.objects.get(name=name or names[0])


def as_json(document: dict[str, Any]) -> str:
    """Return a document as JSON: dates and times in ISO 8601, no NaN."""
    return json.dumps(document, default=plain, ensure_ascii=False, allow_nan=False, indent=1)


def plain(value: Any) -> Any:
    """Return a value that JSON knows.

    Raises
    ------
    TypeError
        Where there is no plain form.
    """
    if isinstance(value, datetime) and value.tzinfo is None:
        raise TypeError(f"{value!r} has no offset")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return float(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no form in JSON")
