"""Make an empty installation what it was when a backup was written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser
from django.db import connection

from fleet.commands import RefusedInput, as_json
from fleet.keeping.restore import restore
from fleet.refusal import Refused


class Command(BaseCommand):
    help = (
        "Brings a backup back into an empty database, SQLite or PostgreSQL, whichever it came from. Looks "
        "the file through before anything is touched and compares every table before anything is kept."
    )
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--replace", action="store_true", help="lose what the database holds now")
        parser.add_argument(
            "--format", choices=("text", "json"), default="text", help="json: one document on stdout"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            manifest = restore(
                options["file"], connection, settings.UPLOADS_DIR, options["replace"], self._progress
            )
        except Refused as refused:
            raise RefusedInput(str(refused)) from refused
        call_command("migrate", verbosity=0)
        if options["format"] == "json":
            tables = {name: told["rows"] for name, told in manifest.tables.items()}
            self.stdout.write(as_json({"made_at": manifest.made_at, "rows": manifest.rows, "tables": tables}))
            return
        self.stdout.write(
            f"{manifest.rows:,} rows of {len(manifest.tables)} tables and {len(manifest.files)} files of "
            f"readings are back as they were at {manifest.made_at}; every table was compared."
        )

    def _progress(self, line: str) -> None:
        self.stderr.write(line, str)
        self.stderr.flush()
