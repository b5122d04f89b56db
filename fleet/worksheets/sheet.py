"""A worksheet as a form: what was typed or is stored, field by field, and the points that come of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from django.utils.translation import gettext as _

from fleet import defaults
from fleet.models import Instrument, WorksheetLine
from fleet.notes import note_name, note_number
from fleet.records import Point
from fleet.typed_numbers import read_number, write_number
from fleet.worksheets import layout
from fleet.worksheets.layout import FORCED, GAP, KNOCK, SPARES, TARGET, TARGETS_MM, WIDEST, Block, Line
from fleet.worksheets.summary import Spread, Summary, summarise

# With these a filled sheet stays below the thousand fields that Django takes.
MOST_PASSES, MOST_SPARES, MOST_GLIDES = 6, 20, 15
BEFORE, AFTER = "before", "after"
TRIED = "knocks-tried"
Said = Mapping[str, str]


@dataclass
class Cell:
    """One field: its name, what stands in it, and why that is not taken."""

    name: str
    text: str
    error: str = ""

    @property
    def ticked(self) -> bool:
        """Whether a tick is set."""
        return bool(self.text)


@dataclass
class SheetLine:
    """A line of the layout with its fields."""

    line: Line
    before: Cell
    after: Cell
    note: Cell


@dataclass
class SheetBlock:
    """A block of the layout with its lines."""

    block: Block
    lines: list[SheetLine]


@dataclass
class Sheet:
    """A worksheet of one kind of service of an instrument.

    ``said`` are the fields as they were sent, or as ``stored`` points fill them in; ``targets`` are those of
    the instrument's last sheet.
    """

    kind: str
    instrument: Instrument
    said: Said | None = None
    stored: Sequence[Point] = ()
    targets: Mapping[str, float] = field(default_factory=dict)
    more: str = ""

    @property
    def passes(self) -> int:
        """How many passes it has room for."""
        stored = max((one.pass_number for one in self.stored), default=1)
        return min(_whole(self.said, "passes", stored) + (self.more == "pass"), MOST_PASSES)

    @property
    def spares(self) -> int:
        """How many notes can be written in."""
        count = _whole(self.said, "spares", SPARES.get(self.kind, 0))
        return min(count + 3 * (self.more == "notes"), MOST_SPARES)

    @property
    def glides(self) -> int:
        """How many glides the frame has, the usual number where nobody has counted."""
        count = self.instrument.glides
        return min(defaults.GLIDES if count is None else count, MOST_GLIDES)

    @cached_property
    def blocks(self) -> list[SheetBlock]:
        """The blocks with their fields."""
        plain = layout.blocks_of(self.kind, self.glides, self.passes, self.spares)
        values = self._stored_values() if self.said is None else self.said
        return [
            SheetBlock(block, [_fields(line, values) for line in block.lines])
            for block in layout.with_stored(plain, self.stored)
        ]

    @property
    def tried(self) -> bool:
        """Whether every glide was tried for a knock."""
        if self.said is not None:
            return bool(self.said.get(TRIED))
        told = [one for one in self.stored if one.quantity == KNOCK and one.before is not None]
        return len({one.point for one in told}) >= self.glides > 0

    @property
    def can_pass(self) -> bool:
        """Whether another pass can be added."""
        return self.kind == "bedding" and self.passes < MOST_PASSES

    @property
    def errors(self) -> list[tuple[str, str]]:
        """What is not taken: the field and why."""
        self.points  # noqa: B018 - reading the points finds what is wrong with them
        cells = (cell for line in self._lines() for cell in (line.note, line.before, line.after))
        return [(cell.name, cell.error) for cell in cells if cell.error]

    @cached_property
    def points(self) -> list[Point]:
        """The points that were measured; what cannot be read is left out and noted at its field."""
        found: dict[tuple[str, str, str, int], Point] = {}
        for line in self._lines():
            point = self._point(line)
            if point is None:
                continue
            key = (point.point, point.condition, point.quantity, point.pass_number)
            if key in found:
                line.note.error = _("%(note)s stands here already") % {"note": point.point}
            found[key] = point
        # A target by itself says nothing of the instrument.
        return list(found.values()) if any(one.point != TARGET for one in found.values()) else []

    @cached_property
    def summary(self) -> Summary:
        """What the points come to."""
        return summarise(self.kind, self.points)

    @property
    def digits(self) -> int:
        """Decimals in which means and spreads are worth telling."""
        return 1 if self.kind == "tuning" else 2

    @property
    def sum_rows(self) -> list[tuple[Any, list[float | None]]]:
        """Mean and spread as found and as left, of each group of lines and of all together."""
        told = [self.summary.before, self.summary.after]
        return [
            (said, [number for spreads in told for number in _numbers(spreads.get(name))])
            for name, said in layout.GROUPS.get(self.kind, ())
            if any(name in spreads for spreads in told)
        ]

    def _lines(self) -> Iterator[SheetLine]:
        for block in self.blocks:
            yield from block.lines

    def _point(self, line: SheetLine) -> Point | None:
        said = line.line
        before, after = self._value(line, BEFORE), self._value(line, AFTER)
        if before is None and after is None:
            return None
        name = _written_in(line) if said.spare else said.point
        if name is None:
            return None
        return Point(name, said.condition, said.quantity, said.unit, before, after, said.pass_number)

    def _value(self, line: SheetLine, when: str) -> float | None:
        cell = line.before if when == BEFORE else line.after
        if line.line.only_after and when == BEFORE:
            return None
        if line.line.tick:
            return self._tick(line.line, cell, when)
        value = _number(cell, line.line)
        if value is not None and line.line.quantity == GAP and self._is_ticked(line.line, FORCED, when):
            return -abs(value)
        return value

    def _tick(self, line: Line, cell: Cell, when: str) -> float | None:
        """Return 1 for a tick; none is 0 where the thing was looked at, else nothing is known."""
        if cell.ticked:
            return 1.0
        if line.quantity == FORCED:
            return 0.0 if self._measured(line, when) else None
        if line.quantity == KNOCK and line.pass_number == 1:
            return 0.0 if self.tried and (when == BEFORE or self._measured(line, when)) else None
        return None

    def _is_ticked(self, line: Line, quantity: str, when: str) -> bool:
        return any(
            (one.before if when == BEFORE else one.after).ticked
            for one in self._lines()
            if (one.line.point, one.line.pass_number, one.line.quantity)
            == (line.point, line.pass_number, quantity)
        )

    def _measured(self, line: Line, when: str) -> bool:
        """Return whether any gap of the same glide and pass was measured."""
        return self._is_ticked(line, GAP, when)

    def _stored_values(self) -> dict[str, str]:
        """Return the fields that the stored points fill in."""
        values: dict[str, str] = {}
        for quantity, usual in TARGETS_MM.items() if self.kind == "regulation" else ():
            name = Line(TARGET, "", quantity, "mm", "").name
            values[f"{name}-{AFTER}"] = write_number(self.targets.get(quantity, usual))
        for one in self.stored:
            line = Line(one.point, one.condition, one.quantity, one.unit, "", one.pass_number)
            forced = Line(one.point, "", FORCED, "", "", one.pass_number)
            of_glide = one.quantity == GAP and one.condition in layout.CONDITIONS
            for when, value in ((BEFORE, one.before), (AFTER, one.after)):
                if one.quantity in layout.TICKS:
                    values[f"{line.name}-{when}"] = "1" if value else values.get(f"{line.name}-{when}", "")
                elif value is not None:
                    values[f"{line.name}-{when}"] = write_number(abs(value) if of_glide else value)
                    if of_glide and value < 0:
                        values[f"{forced.name}-{when}"] = "1"
        return values


def _numbers(spread: Spread | None) -> tuple[float | None, float | None]:
    return (spread.mean, spread.spread) if spread else (None, None)


def _fields(line: Line, said: Said) -> SheetLine:
    cells = (
        Cell(f"{line.name}-{part}", said.get(f"{line.name}-{part}", "")) for part in (BEFORE, AFTER, "note")
    )
    return SheetLine(line, *cells)


def _whole(said: Said | None, name: str, otherwise: int) -> int:
    text = (said or {}).get(name, "")
    return max(int(text), 1) if text.isdecimal() and len(text) < 4 else otherwise


def _number(cell: Cell, line: Line) -> float | None:
    try:
        value = read_number(cell.text)
    except ValueError as refused:
        cell.error = str(refused)
        return None
    widest = layout.WIDEST_GAP_MM if line.quantity == GAP else WIDEST.get(line.unit, 1e6)
    low = -widest if line.signed or line.quantity == GAP else 0.0
    if value is not None and not low <= value <= widest:
        cell.error = _("%(value)g %(unit)s cannot be: %(low)g to %(high)g") % {
            "value": value,
            "unit": line.unit,
            "low": low,
            "high": widest,
        }
        return None
    return value


def _written_in(line: SheetLine) -> str | None:
    """Return the note a person wrote in, None where it is none."""
    if not line.note.text.strip():
        line.note.error = _("Which note is it?")
        return None
    try:
        return note_name(note_number(line.note.text))
    except ValueError as refused:
        line.note.error = str(refused)
        return None


def last_targets(instrument: Instrument) -> dict[str, float]:
    """Return the targets that were last written down for an instrument, by quantity [mm]."""
    rows = WorksheetLine.objects.filter(instrument=instrument, kind="regulation", point=TARGET)
    rows = rows.exclude(after=None).order_by("date", "order", "pk")
    return {quantity: after for quantity, after in rows.values_list("quantity", "after") if after is not None}
