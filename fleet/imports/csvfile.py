"""CSV files read strictly: encoding, header and shape are checked before any cell is looked at."""

from __future__ import annotations

import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TextIO

from fleet.imports.findings import Findings
from fleet.refusal import Refused

LARGEST_LINE = 1_000_000  # characters
LARGEST_FILE = 2_000_000_000  # bytes

Row = tuple[int, list[str]]


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
        with self._open() as file:
            header = next(iter(self._rows(file)), None)
        if header is None:
            raise Refused("the file is empty", file=self.name, line=1, accepted=",".join(columns))
        self.header = [cell.strip() for cell in header[1]]
        self._check_header(header[0], columns, list(needed))

    def __iter__(self) -> Iterator[Row]:
        with self._open() as file:
            rows = self._rows(file)
            next(rows)
            width = len(self.header)
            for line, cells in rows:
                if len(cells) == width:
                    yield line, cells
                else:
                    self._findings.add(self._ragged(line, cells))

    def _open(self) -> TextIO:
        return open(self.path, encoding="utf-8-sig", newline="")

    def _rows(self, file: TextIO) -> Iterator[Row]:
        """Give every row that is not blank, refusing what is no CSV in UTF-8."""
        reader = csv.reader(self._lines(file), strict=True)
        try:
            for cells in reader:
                if cells:
                    yield reader.line_num, cells
        except csv.Error as error:
            raise Refused(
                f"not CSV ({error})",
                file=self.name,
                line=reader.line_num,
                accepted="quoted cells closed again",
            ) from None
        except UnicodeDecodeError:
            raise self._bad_encoding() from None

    def _lines(self, file: TextIO) -> Iterator[str]:
        """Give physical lines, refusing what no text file holds."""
        for number, line in enumerate(iter(lambda: file.readline(LARGEST_LINE), ""), start=1):
            if "\0" in line:
                raise Refused("a NUL byte", file=self.name, line=number, accepted="text in UTF-8")
            if len(line) >= LARGEST_LINE:
                raise Refused(
                    "the line is too long",
                    file=self.name,
                    line=number,
                    accepted=f"at most {LARGEST_LINE:,} characters",
                )
            yield line

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
        return Refused("not UTF-8: the last character is cut off", file=self.name, accepted="UTF-8")

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
