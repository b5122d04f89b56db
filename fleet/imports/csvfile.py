"""CSV files read strictly: encoding, header and shape are checked before any cell is looked at."""

from __future__ import annotations

import codecs
import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, compress
from pathlib import Path
from typing import TextIO

from fleet.imports.findings import Findings
from fleet.refusal import Refused

LARGEST_LINE = 1_000_000  # bytes; a line may be up to twice that
LARGEST_FILE = 2_000_000_000  # bytes
CHUNK = 2_000  # rows; more of them fall out of the processor's cache

Row = tuple[int, list[str]]
Chunk = tuple[list[int], list[list[str]]]


class CsvFile:
    """A CSV file with a header that is known to be good; iterating gives physical line and cells.

    Parameters
    ----------
    path : the file
    columns : every column it may have
    needed : the columns it must have
    findings : where ragged rows are collected

    Raises
    ------
    Refused
        Where the file cannot be read as UTF-8 CSV, is empty, or its header is wrong.
    """

    def __init__(self, path: Path, columns: Sequence[str], needed: Iterable[str], findings: Findings) -> None:
        self.path = path
        self.name = path.name
        self._findings = findings
        if path.stat().st_size > LARGEST_FILE:
            raise Refused("the file is too large", file=self.name, accepted=f"at most {LARGEST_FILE:,} bytes")
        self._check_bytes()
        with self._open() as file:
            lines, header = next(self._parts(file, 1), ([], []))
        if not header:
            raise Refused("the file is empty", file=self.name, line=1, accepted=",".join(columns))
        self.header = [cell.strip() for cell in header[0]]
        self._check_header(lines[0], columns, list(needed))

    def __iter__(self) -> Iterator[Row]:
        for lines, rows in self.chunks():
            yield from zip(lines, rows, strict=True)

    def chunks(self) -> Iterator[Chunk]:
        """Give the rows many at a time, as physical lines and cells, without those of another width."""
        width = len(self.header)
        with self._open() as file:
            parts = self._parts(file, CHUNK)
            first_lines, first_rows = next(parts)
            # Chained, so that the header is left out of the first part only.
            for lines, rows in chain([(first_lines[1:], first_rows[1:])], parts):
                if set(map(len, rows)) <= {width}:
                    yield lines, rows
                    continue
                for line, cells in zip(lines, rows, strict=True):
                    if len(cells) != width:
                        self._findings.add(self._ragged(line, cells))
                fits = [len(cells) == width for cells in rows]
                yield list(compress(lines, fits)), list(compress(rows, fits))

    def _open(self) -> TextIO:
        return open(self.path, encoding="utf-8-sig", newline="")

    def _parts(self, file: TextIO, size: int) -> Iterator[Chunk]:
        """Give lines and rows, so many rows at a time, without blank ones."""
        reader = csv.reader(file, strict=True)
        lines: list[int] = []
        rows: list[list[str]] = []
        try:
            for cells in reader:
                if cells:
                    lines.append(reader.line_num)
                    rows.append(cells)
                if len(rows) == size:
                    yield lines, rows
                    lines, rows = [], []
        except csv.Error as error:
            raise Refused(
                f"not CSV ({error})",
                file=self.name,
                line=reader.line_num,
                accepted="quoted cells closed again",
            ) from None
        if rows:
            yield lines, rows

    def _check_bytes(self) -> None:
        """Refuse bytes that are no text in UTF-8, and lines that no table has."""
        decoder = codecs.getincrementaldecoder("utf-8")()
        line, since_end = 1, 0
        with open(self.path, "rb") as file:
            while block := file.read(LARGEST_LINE):
                try:
                    decoder.decode(block)
                except UnicodeDecodeError:
                    raise self._bad_encoding() from None
                if (nul := block.find(b"\0")) >= 0:
                    line += block.count(b"\n", 0, nul)
                    raise Refused("a NUL byte", file=self.name, line=line, accepted="text in UTF-8")
                last_end = max(block.rfind(b"\n"), block.rfind(b"\r"))
                if last_end < 0 and since_end + len(block) >= 2 * LARGEST_LINE:
                    accepted = f"at most {2 * LARGEST_LINE:,} bytes"
                    raise Refused("the line is too long", file=self.name, line=line, accepted=accepted)
                since_end = len(block) - 1 - last_end + (since_end if last_end < 0 else 0)
                line += block.count(b"\n")
        if decoder.getstate()[0]:
            raise self._bad_encoding()

    def _bad_encoding(self) -> Refused:
        """Say where the bytes stop being UTF-8."""
        done = 0
        with open(self.path, "rb") as file:
            for number, line in enumerate(file, start=1):
                try:
                    line.decode("utf-8")
                except UnicodeDecodeError as error:
                    return Refused(
                        f"not UTF-8 at byte {done + error.start}",
                        file=self.name,
                        line=number,
                        value=line[max(0, error.start - 10) : error.end + 10],
                        accepted="UTF-8",
                    )
                done += len(line)
        raise AssertionError("every line by itself is UTF-8, so the file is")

    def _check_header(self, line: int, columns: Sequence[str], needed: Sequence[str]) -> None:
        """Refuse unknown, doubled and missing columns."""
        if len(self.header) == 1 and ";" in self.header[0]:
            raise Refused(
                "the columns are separated by semicolons", file=self.name, line=line, accepted="commas"
            )
        for name in self.header:
            if name not in columns:
                raise Refused(
                    "an unknown column", file=self.name, line=line, column=name, accepted=", ".join(columns)
                )
        doubled = {name for name in self.header if self.header.count(name) > 1}
        if doubled:
            raise Refused("the column is there twice", file=self.name, line=line, column=min(doubled))
        missing = [name for name in needed if name not in self.header]
        if missing:
            raise Refused(
                f"the column {missing[0]} is missing",
                file=self.name,
                line=line,
                column=missing[0],
                value=",".join(self.header),
                accepted=f"{', '.join(needed)} and others",
            )

    def _ragged(self, line: int, cells: list[str]) -> Refused:
        """Say that a row has another width than the header."""
        return Refused(
            f"{len(cells)} cells where the header has {len(self.header)}",
            file=self.name,
            line=line,
            column=self.header[len(cells)] if len(cells) < len(self.header) else None,
            value=",".join(cells),
            accepted=f"{len(self.header)} cells separated by commas",
        )


def write_csv(path: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Write a CSV file in one step, so that a reader never sees half of it."""
    part = path.with_name(f".{path.name}.part")
    with open(part, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)
    os.replace(part, path)
