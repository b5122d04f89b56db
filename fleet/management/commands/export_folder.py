"""Write a site as a folder of plain files that reads back the same."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output, WrongUsage
from fleet.imports import export_folder


class Command(AlmanacCommand):
    help = "Writes a site as a folder of plain files that import_folder reads back the same."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("folder", type=Path)

    def run(self, options: dict[str, Any]) -> Output:
        folder = Path(options["folder"])
        if folder.exists() and not folder.is_dir():
            raise WrongUsage(f"{folder} is a file and not a folder")
        written = export_folder(self.site, folder, progress=self.progress)
        lines = [f"{self.site} written to {folder}"]
        lines += [f"{file:24}{rows:>10,}" for file, rows in written.items()]
        return {"site": self.site.name, "folder": str(folder), "files": written}, lines
