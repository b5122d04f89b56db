"""Read a folder of plain files into one site, all or nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output, WrongUsage
from fleet.imports import Taken, import_folder


class Command(AlmanacCommand):
    help = "Reads a folder of plain files into the site it names: all or nothing, safe to repeat."
    needs_site = False

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("folder", type=Path)
        parser.add_argument("--dry-run", action="store_true", help="only list what would change")

    def run(self, options: dict[str, Any]) -> Output:
        folder = Path(options["folder"])
        if not folder.is_dir():
            raise WrongUsage(f"{folder} is not a folder")
        taken = import_folder(
            folder,
            now=self.now,
            today=self.today,
            site_name=options["site"],
            dry_run=options["dry_run"],
            progress=self.progress,
        )
        return taken.document(), lines(taken)


def lines(taken: Taken) -> Iterator[str]:
    """Return what an import did as lines."""
    yield f"{taken.site}: {'would be taken' if taken.dry_run else 'taken'}"
    yield f"{'file':24}{'new':>10}{'changed':>10}{'same':>10}"
    for file, counts in taken.files.items():
        yield f"{file:24}{counts.new:>10,}{counts.changed:>10,}{counts.same:>10,}"
        for change in taken.changes.get(file, []):
            columns = [f"{name} {was!r} to {is_now!r}" for name, (was, is_now) in change["columns"].items()]
            yield f"    {change['key']}{': ' * bool(columns)}{', '.join(columns)}"
    if taken.doubtful_readings:
        yield f"{taken.doubtful_readings:,} readings are doubtful: kept and marked, not used"
    if taken.cancelled_events:
        yield f"{taken.cancelled_events} events of the calendar are called off and were left out"
    for file in taken.left_alone:
        yield f"{file} is none of the known files and was left alone"
