"""Tell, or remove, everything that names a person."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser
from django.utils import timezone

from fleet.commands import AlmanacCommand, Output, WrongUsage, as_json
from fleet.models import Person
from fleet.refusal import Refused
from scheduling.personal import removing, telling
from scheduling.personal.subject import Subject, of_person, of_user, user_named, with_words


class Command(AlmanacCommand):
    help = (
        "Tells everything that names a person, or removes the name from it for good; a person of the site by "
        "name, or an account with all its sites."
    )
    needs_site = False

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("action", choices=("tell", "remove"))
        parser.add_argument("--person", metavar="NAME", help="of one site")
        parser.add_argument("--user", metavar="NAME", help="an account, at all its sites")
        parser.add_argument("--file", type=Path, help="where what is told is written")
        parser.add_argument("--also", action="append", default=[], metavar="WORD", help="another spelling")
        parser.add_argument("--yes", action="store_true", help="needed to remove: it cannot be undone")

    def run(self, options: dict[str, Any]) -> Output:
        subject = with_words(self._subject(options), options["also"])
        if options["action"] == "tell":
            document = telling.tell(subject, timezone.now())
            if options["file"] is None:
                return document, as_json(document)
            options["file"].write_text(as_json(document), encoding="utf-8")
            rows = {kind: len(found) for kind, found in document["rows"].items()}
            return {"file": str(options["file"]), "rows": rows}, [
                f"{n:>8,} {kind}" for kind, n in rows.items()
            ]
        if not options["yes"]:
            raise WrongUsage("removing a name cannot be undone: say --yes")
        changed = removing.remove(subject, timezone.now())
        return {"changed": changed}, [f"{number:>8,} {kind}" for kind, number in changed.items()]

    def _subject(self, options: dict[str, Any]) -> Subject:
        if bool(options["person"]) == bool(options["user"]):
            raise WrongUsage("say --person NAME or --user NAME")
        if options["user"]:
            return of_user(user_named(options["user"]))
        found = Person.objects.filter(name=options["person"]).select_related("site", "user")
        if options["site"]:
            found = found.filter(site__name=options["site"])
        people = list(found[:2])
        if len(people) != 1:
            raise Refused(
                "there is no such person" if not people else "there are several of this name",
                column="--person",
                value=options["person"],
                accepted="a person's name, with --site where several sites know it",
            )
        return of_person(people[0])
