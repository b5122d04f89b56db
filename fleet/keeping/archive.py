"""The file of a backup: a ZIP archive of tables and uploads with a list of what is in it and its hashes."""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from fleet.refusal import Refused

FORM, VERSION = "instrument-almanac-backup", 1
MANIFEST = "manifest.json"
PIECE = 1 << 20
# Whatever reading a damaged archive, or a list that is none, may end in.
DAMAGE = (
    OSError,
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    RuntimeError,
)
# Tables shrink to a tenth even at the quickest setting; more effort takes three times as long for a little.
EFFORT = 1


@dataclass
class Manifest:
    """What a backup holds: the state of the tables' form, rows and hashes of each table, hashes of files."""

    made_at: str
    vendor: str
    migrations: dict[str, list[str]]
    tables: dict[str, dict[str, Any]] = field(default_factory=dict)
    files: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """How many rows all tables have."""
        return sum(table["rows"] for table in self.tables.values())


class Writing:
    """A backup being written; nobody but its owner may read it, and it has its name only once it is whole."""

    def __init__(self, target: Path) -> None:
        self.target = target
        self.part = target.with_name(f"{target.name}.part")
        handle = os.open(self.part, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
        self.file = os.fdopen(handle, "w+b")
        self.archive = zipfile.ZipFile(self.file, "w", zipfile.ZIP_DEFLATED, compresslevel=EFFORT)

    def add_table(self, name: str, lines: Iterable[str]) -> dict[str, Any]:
        """Write a table and return its rows and hash."""
        rows, seen = 0, hashlib.sha256()
        with self.archive.open(table_member(name), "w", force_zip64=True) as member:
            for line in lines:
                raw = line.encode() + b"\n"
                member.write(raw)
                seen.update(raw)
                rows += 1
        return {"rows": rows, "sha256": seen.hexdigest()}

    def add_file(self, name: str, source: BinaryIO) -> dict[str, Any]:
        """Write a file and return its size and hash."""
        size, seen = 0, hashlib.sha256()
        with self.archive.open(name, "w", force_zip64=True) as member:
            while piece := source.read(PIECE):
                member.write(piece)
                seen.update(piece)
                size += len(piece)
        return {"size": size, "sha256": seen.hexdigest()}

    def finish(self, manifest: Manifest) -> None:
        """Write the list of what is in it, wait until the disk has it all, and give the file its name."""
        document = {"form": FORM, "version": VERSION, **asdict(manifest)}
        self.archive.writestr(MANIFEST, json.dumps(document, indent=1))
        self.archive.close()
        self.file.flush()
        os.fsync(self.file.fileno())
        self.file.close()
        os.replace(self.part, self.target)

    def give_up(self) -> None:
        """Leave nothing behind."""
        self.archive.fp = None  # nothing more is written when it is let go
        with suppress(OSError):  # what it still holds finds no room either
            self.file.close()
        self.part.unlink(missing_ok=True)


def table_member(name: str) -> str:
    """Return the name of a table within the archive."""
    return f"tables/{name}.jsonl"


class Kept:
    """A backup that was opened and found whole; raises :class:`Refused` where it is not."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self.archive = zipfile.ZipFile(path)
            self.manifest = _manifest(self.archive)
            self._check()
        except DAMAGE as error:
            raise Refused(f"this is no whole backup ({_said(error)})", file=path.name) from error

    def lines(self, name: str) -> Iterator[str]:
        """Yield the rows of a table."""
        with self.archive.open(table_member(name)) as member:
            for raw in io.TextIOWrapper(member, "utf-8", newline="\n"):
                yield raw.rstrip("\n")

    def _check(self) -> None:
        """Read everything once and compare it with the list."""
        tables = {table_member(name): told for name, told in self.manifest.tables.items()}
        listed = {**tables, **self.manifest.files}
        held = set(self.archive.namelist()) - {MANIFEST}
        if held != set(listed):
            raise ValueError(f"{sorted(held ^ set(listed))[0]} is missing or not listed")
        for name, told in listed.items():
            seen, lines = hashlib.sha256(), 0
            with self.archive.open(name) as member:
                while piece := member.read(PIECE):
                    seen.update(piece)
                    lines += piece.count(b"\n")
            if seen.hexdigest() != told["sha256"] or lines != told.get("rows", lines):
                raise ValueError(f"{name} differs from what was written")


def _manifest(archive: zipfile.ZipFile) -> Manifest:
    document = json.loads(archive.read(MANIFEST))
    if document.pop("form") != FORM:
        raise ValueError("another program made it")
    if (version := document.pop("version")) > VERSION:
        raise ValueError(f"form {version} is newer than this program, which reads up to {VERSION}")
    return Manifest(**document)


def _said(error: Exception) -> str:
    return f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
