"""From the bytes of an odd CSV file to its rows: encoding, delimiter, and the line that is the header."""

from __future__ import annotations

import codecs
import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from fleet.refusal import Refused

BLOCK = 1 << 20  # bytes
LONGEST_LINE = 100_000  # characters
CHUNK = 2_000  # rows
HEAD_LINES = 60  # a logger may write so many lines about itself before the header
HEAD_ROWS = 200
DELIMITERS = (",", ";", "\t", "|")
# A mark at the very start decides; the longer marks are tried first.
MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1")

Chunk = tuple[list[int], list[list[str]]]


@dataclass(frozen=True)
class Shape:
    """How a file's bytes become rows: encoding, delimiter, and the physical line of the header from 1."""

    encoding: str
    delimiter: str
    header_line: int


def encoding_of(path: Path) -> str:
    """Return the encoding of a file: by its mark, by the zeros of UTF-16, as UTF-8, else Latin-1.

    Raises
    ------
    Refused
        Where the file is empty or has bytes that no text has.
    """
    with open(path, "rb") as file:
        head = file.read(BLOCK)
        if not head.strip():
            raise Refused("the file is empty", line=1, accepted="a header row and rows of readings")
        for mark, name in MARKS:
            if head.startswith(mark):
                return name
        zeros = head[:1000].count(0, 1), head[:1000].count(0)
        if zeros[1]:
            return _without_mark(head[:1000])
        decoder = codecs.getincrementaldecoder("utf-8")()
        try:
            while head:
                decoder.decode(head)
                head = file.read(BLOCK)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return "latin-1"
    return "utf-8"


def _without_mark(head: bytes) -> str:
    """Tell UTF-16 without a mark by where the zeros of plain letters stand."""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.7 * half and not even:
        return "utf-16-le"
    if even > 0.7 * half and not odd:
        return "utf-16-be"
    line = head.count(b"\n", 0, head.index(0)) + 1
    raise Refused("bytes that are no text", line=line, value="NUL", accepted="a CSV file in UTF-8 or UTF-16")


def opened(path: Path, encoding: str) -> TextIO:
    """Open a file as text, line ends left as they are."""
    return open(path, encoding=encoding, newline="")


def parts(path: Path, encoding: str, delimiter: str, size: int = CHUNK) -> Iterator[Chunk]:
    """Give physical lines and cells, so many rows at a time, without blank rows.

    Raises
    ------
    Refused
        Where the bytes stop being text or the text stops being CSV; names the line.
    """
    lines: list[int] = []
    rows: list[list[str]] = []
    with opened(path, encoding) as file:
        # Without strictness a quotation mark within a cell is a character, as loggers mean it.
        reader = csv.reader(_whole_lines(file), delimiter=delimiter)
        try:
            for cells in reader:
                if any(cells):
                    lines.append(reader.line_num)
                    rows.append(cells)
                if len(rows) == size:
                    yield lines, rows
                    lines, rows = [], []
        except csv.Error as error:
            raise Refused(
                f"not CSV ({error})",
                line=max(reader.line_num, 1),
                value=",".join(rows[-1])[:40] if rows else "",
                accepted="quoted cells closed again",
            ) from None
        except UnicodeError as error:
            raise Refused(
                "bytes that are no text",
                line=reader.line_num + 1,
                value=repr(getattr(error, "object", b"")[getattr(error, "start", 0) :][:4]),
                accepted=f"text in {encoding}",
            ) from None
    if rows:
        yield lines, rows


def _whole_lines(file: TextIO) -> Iterator[str]:
    """Give the lines of a file, refusing what no table has: endless lines and NUL."""
    number = 0
    while line := file.readline(LONGEST_LINE):
        number += 1
        if len(line) >= LONGEST_LINE:
            raise Refused("the line is too long", line=number, value=line[:40], accepted="lines of a table")
        if "\0" in line:
            raise Refused("a NUL character", line=number, value=line[:40], accepted="plain text")
        yield line


def shape_of(path: Path) -> Shape:
    """Recognise the shape of a file.

    Raises
    ------
    Refused
        Where no delimiter makes a table of it.
    """
    encoding = encoding_of(path)
    with opened(path, encoding) as file:
        try:
            head = [line for _, line in zip(range(HEAD_ROWS), _whole_lines(file), strict=False)]
        except UnicodeError:
            raise Refused("bytes that are no text", line=1, accepted=f"text in {encoding}") from None
    found = [(delimiter, *_header(head, delimiter)) for delimiter in DELIMITERS]
    delimiter, line, width = max(found, key=lambda one: one[2])
    if width < 2:
        raise Refused(
            "no table with a header row",
            line=1,
            value=head[0].strip()[:80] if head else "",
            accepted="a header row, then rows of cells separated by comma, semicolon, tab or bar",
        )
    return Shape(encoding, delimiter, line)


def _header(head: Sequence[str], delimiter: str) -> tuple[int, int]:
    """Return the line of the header and its number of cells under a delimiter; no cells where none fits.

    The header is the first row of names that is followed by a row of at most its width with a number in it.
    """
    reader = csv.reader(head, delimiter=delimiter)
    rows: list[tuple[int, list[str]]] = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num, without_empty_end(cells)))
    except csv.Error:
        pass
    usual = Counter(len(cells) for _, cells in rows[1:] if len(cells) > 1)
    for (line, cells), (_, following) in zip(rows[:HEAD_LINES], rows[1:], strict=False):
        names = [cell for cell in cells if cell.strip()]
        wide = len(cells) >= 2 and usual[len(following)] * 2 >= min(len(rows) - 1, 4)
        told = not any(is_value(name) for name in names)
        if wide and told and len(following) <= len(cells) and any(is_value(cell) for cell in following):
            return line, len(cells)
    return 1, 0


def is_value(cell: str) -> bool:
    """Return whether a cell begins as a number or a date does, not as a name."""
    return cell.strip().lstrip("+-.,")[:1].isdigit()


def without_empty_end(cells: Sequence[str]) -> list[str]:
    """Return cells without the empty ones at their end, which a delimiter at the end of a line makes."""
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return list(cells[:count])
