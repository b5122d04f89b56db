"""Collect the texts of code and pages; those under templates/ go to the app whose pages they are."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.commands import makemessages

APPS = ("fleet", "scheduling", "reports")
# Folders of templates that are not named after their app; what lies beside the folders frames all pages.
APP_OF_FOLDER = {"doors": "fleet", "letters": "scheduling", "registration": "reports", "setup": "fleet"}
FRAME = "reports"


class Command(makemessages.Command):
    """Django's own command, knowing where this project keeps its pages and how the engine marks its words."""

    xgettext_options = [
        *makemessages.Command.xgettext_options,
        "--keyword=worded",
        "--keyword=worded_many:1,2",
    ]
    msgmerge_options = [*makemessages.Command.msgmerge_options, "--no-fuzzy-matching"]

    def find_files(self, root: str) -> list[Any]:
        """Return the files to read, each with the catalogue its texts go to; tests have none."""
        found = []
        for one in super().find_files(root):
            parts = Path(one.dirpath, one.file).resolve().relative_to(settings.BASE_DIR).parts
            app = _app_of(parts)
            if app:
                one.locale_dir = str(settings.BASE_DIR / app / "locale")
                found.append(one)
        return found


def _app_of(parts: tuple[str, ...]) -> str | None:
    if parts[0] == "templates":
        folder = parts[1] if len(parts) > 2 else FRAME
        return APP_OF_FOLDER.get(folder, folder)
    return parts[0] if parts[0] in APPS else None
