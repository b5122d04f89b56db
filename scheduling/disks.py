"""How much room is left on the disks that this process writes to."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.db import connection

# Judgement: a day of readings, letters and uploads of a large house is a few dozen megabytes.
ENOUGH_MB = 100
MB = 2**20


@dataclass(frozen=True)
class Room:
    """The folder with the least room on its disk, and how much that is [MB of 2²⁰ bytes]."""

    folder: Path
    free_mb: int

    @property
    def enough(self) -> bool:
        """Whether work can go on for a while."""
        return self.free_mb >= ENOUGH_MB


def written_to() -> Iterable[Path]:
    """Return the folders of database, uploads and letters, as far as they are on this machine."""
    yield Path(settings.UPLOADS_DIR)
    if connection.vendor == "sqlite" and Path(str(connection.settings_dict["NAME"])).is_absolute():
        yield Path(str(connection.settings_dict["NAME"])).parent
    if getattr(settings, "EMAIL_FILE_PATH", None):
        yield Path(str(settings.EMAIL_FILE_PATH))  # type: ignore[misc]


def scarcest() -> Room:
    """Return the folder whose disk has the least room; one not made yet counts as the one it will be in."""
    return min((_room(folder) for folder in written_to()), key=lambda room: room.free_mb)


def _room(folder: Path) -> Room:
    there = next(one for one in (folder, *folder.parents) if one.exists())
    return Room(folder, shutil.disk_usage(there).free // MB)
