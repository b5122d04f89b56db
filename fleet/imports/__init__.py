"""The folder of plain files through which every fact comes in and goes out."""

from fleet.imports.giving import export_folder
from fleet.imports.taking import Taken, import_folder

__all__ = ["Taken", "export_folder", "import_folder"]
