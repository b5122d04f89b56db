"""A backup a day into a folder, of which the newest are kept."""

from __future__ import annotations

import logging
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.db import connection

from fleet.keeping.backup import write_backup
from fleet.refusal import Refused

log = logging.getLogger(__name__)
PREFIX = "almanac-"


def back_up(now: datetime) -> Path | None:
    """Write a backup and let go of those beyond the number kept; what was there stays where it fails."""
    folder = Path(settings.BACKUP_DIR)
    target = folder / f"{PREFIX}{now:%Y-%m-%dT%H%M%SZ}.zip"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_backup(target, connection, settings.UPLOADS_DIR, now)
    except (Refused, OSError) as trouble:
        log.error("no backup was written: %s", trouble)
        return None
    for old in sorted(folder.glob(f"{PREFIX}*.zip"))[: -settings.BACKUPS_KEPT]:
        old.unlink(missing_ok=True)
    return target
