"""Read a folder of plain files into one site, all or nothing."""

from __future__ import annotations

from argparse import RawDescriptionHelpFormatter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.core.management.base import CommandParser

from fleet.commands import AlmanacCommand, Output, WrongUsage
from fleet.imports import Taken, import_folder
from fleet.imports.tables import TABLES, Table


class Command(AlmanacCommand):
    help = "Reads a folder of plain files into the site it names: all or nothing, safe to repeat."
    needs_site = False

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        kwargs |= {"epilog": described_files(), "formatter_class": RawDescriptionHelpFormatter}
        return super().create_parser(prog_name, subcommand, **kwargs)

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


def described_files() -> str:
    """Return the files of a folder with their columns, those in brackets optional."""
    return "\n".join(
        [
            "UTF-8 CSV with a header row; columns in any order, those in brackets optional.",
            *map(_described, TABLES),
            "readings*.csv: room, time, relative_humidity_percent, one of temperature_c or temperature_f",
            "bookings.ics (optional): RFC 5545, LOCATION is the room, CATEGORIES:PERFORMANCE marks a concert",
        ]
    )


def _described(table: Table) -> str:
    names = (
        column.name if column.needed or column.listed else f"[{column.name}]" for column in table.columns
    )
    return f"{table.file}{'' if table.required else ' (optional)'}: {', '.join(names)}"


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
