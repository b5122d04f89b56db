"""Load the invented conservatory, or only write its folder."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import CommandParser

from fleet import demo
from fleet.commands import AlmanacCommand, Output, WrongUsage
from fleet.demo.folder import write_demo_folder
from fleet.demo.house import TIME_ZONE


class Command(AlmanacCommand):
    help = "Loads an invented conservatory with two years of air and records; safe to repeat."
    needs_site = False

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--folder", type=Path, metavar="OUT", help="only write the folder")

    def run(self, options: dict[str, Any]) -> Output:
        today = self.today or self.now.astimezone(ZoneInfo(TIME_ZONE)).date()
        if options["folder"]:
            return self.write(Path(options["folder"]), today)
        login = demo.load(today, self.progress)
        return login.document(), str(login)

    def write(self, folder: Path, today: date) -> Output:
        """Write the folder and say what it holds."""
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise WrongUsage(f"{folder} is there already and not an empty folder")
        write_demo_folder(folder, today, self.progress)
        files = {path.name: path.stat().st_size for path in sorted(folder.iterdir())}
        lines = [f"{name:28}{size:>12,} bytes" for name, size in files.items()]
        document = {"folder": str(folder), "today": today, "files": files}
        return document, "\n".join(lines)
