"""Write everything an installation holds into one file, while it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandParser
from django.db import connection

from fleet.commands import AlmanacCommand, Output
from fleet.keeping.backup import write_backup


class Command(AlmanacCommand):
    help = (
        "Writes all sites, people, plans, letters and waiting files of readings into one file, at one "
        "instant and while everything runs. The secret key and the folder of letters are not in it."
    )
    needs_site = False

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("file", type=Path)

    def run(self, options: dict[str, Any]) -> Output:
        target = Path(options["file"])
        manifest = write_backup(target, connection, settings.UPLOADS_DIR, self.now, self.progress)
        document = {
            "file": str(target),
            "made_at": manifest.made_at,
            "bytes": target.stat().st_size,
            "rows": manifest.rows,
            "tables": {name: told["rows"] for name, told in manifest.tables.items()},
            "files": len(manifest.files),
        }
        lines = [
            f"{manifest.rows:,} rows of {len(manifest.tables)} tables and {len(manifest.files)} files of "
            f"readings written to {target}, {document['bytes']:,} bytes",
            "Keep SECRET_KEY beside it: without it the links in letters already sent open nothing.",
        ]
        return document, lines
