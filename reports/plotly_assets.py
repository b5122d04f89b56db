"""Serves the figure library from its installed wheel, so that no copy of it lies in the repository."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import plotly
from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

PREFIX = "plotly"
NAME = "plotly.min.js"
FOLDER = Path(plotly.__file__).parent / "package_data"


class PlotlyFinder(BaseFinder):
    """Find ``plotly/plotly.min.js`` in the plotly wheel."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.storage = FileSystemStorage(location=str(FOLDER))
        self.storage.prefix = PREFIX  # type: ignore[attr-defined]

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        """Return the file's place where the path names it, else an empty list."""
        if path != f"{PREFIX}/{NAME}":
            return []
        place = str(FOLDER / NAME)
        return [place] if find_all or kwargs.get("all") else place

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterable[Any]:
        """Yield the one file for ``collectstatic``."""
        yield NAME, self.storage
