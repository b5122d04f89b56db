"""The lines of each worksheet as data: points, conditions, quantities. Common practice, no source."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.utils.text import slugify
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet.notes import note_number
from fleet.records import Point

AT_REST, SHIFTED, LOADED = "at rest", "shifted", "under pedal load"
CONDITIONS = (AT_REST, SHIFTED, LOADED)
BACKED_OFF = "glides backed off"
RAILS = ("front rail", "back rail")
KEYS = ("C2", "C4", "C6")
GAP, FORCED, KNOCK, DIP, OFFSET = "gap", "forced", "knock", "dip", "offset"
HARDENER, WEAK, BRIGHT = "hardener", "too weak", "too bright"
TARGET = "target"
#: Of a regulated action [mm].
TARGETS_MM = {DIP: 10.0, "let-off": 1.5, "blow distance": 46.0, "aftertouch": 0.8}
TOUCH_WORDS = {
    DIP: _("Key dip"),
    "let-off": _("Let-off"),
    "blow distance": _("Blow distance"),
    "aftertouch": _("Aftertouch"),
}
REGISTERS = ("bass", "tenor", "middle", "treble")
REGISTER_WORDS = (_("bass"), _("tenor"), _("middle"), _("treble"))
REGISTER_NOTES = (("A1", "C2", "F2"), ("C3", "F3", "A3"), ("C4", "F4", "A4"), ("C6", "F6", "C7"))
#: The highest note of each register but the last; the low tenor begins above the break of the bass.
REGISTER_ENDS = ("F2", "B3", "B5")
WIDEST = {"cents": 1200.0, "mark": 10.0, "mm": 300.0}
WIDEST_GAP_MM = 20.0


@dataclass(frozen=True)
class Line:
    """A line of a worksheet: one quantity at one point, before and after, or a tick for yes.

    Where ``spare`` is set the point is a note that a person writes in.
    """

    point: str
    condition: str
    quantity: str
    unit: str
    label: Any
    pass_number: int = 1
    tick: bool = False
    signed: bool = False
    only_after: bool = False
    spare: bool = False

    @property
    def name(self) -> str:
        """The name of its fields in a form, before and after are added to it."""
        said = f"{self.point.replace('#', ' sharp')} {self.condition} {self.quantity}"
        return f"p{self.pass_number}-{slugify(said)}"

    @property
    def key(self) -> tuple[str, str, str, int]:
        """What tells it from all other lines of a worksheet."""
        return self.point, self.condition, self.quantity, self.pass_number


@dataclass(frozen=True)
class Block:
    """Lines that belong together under a title."""

    title: Any
    lines: tuple[Line, ...]
    hint: Any = ""


def glide(number: int) -> str:
    """Return the name of a glide, counted from 1."""
    return f"glide {number}"


def register_of(note: str) -> str:
    """Return the register in which a note lies.

    Raises
    ------
    ValueError
        Where the keyboard has no such note.
    """
    number = note_number(note)
    ends = [note_number(end) for end in REGISTER_ENDS]
    return REGISTERS[sum(number > end for end in ends)]


def blocks_of(kind: str, glides: int, passes: int = 1, spares: int = 0) -> list[Block]:
    """Return the blocks of a kind of service in the order in which they are worked through."""
    return BLOCKS[kind](glides, passes, spares)


def _bedding(glides: int, passes: int, spares: int) -> list[Block]:
    rails = tuple(Line(rail, BACKED_OFF, GAP, "mm", _RAIL_WORDS[rail]) for rail in RAILS)
    dips = tuple(Line(key, "", DIP, "mm", key) for key in KEYS)
    return [
        Block(_("Rails first, the glides backed off"), rails, _("Gap between rail and key bed.")),
        *(
            Block(_glide_title(number, again), _glide_lines(number, again))
            for again in range(1, passes + 1)
            for number in range(1, glides + 1)
        ),
        Block(_("Key dip, before and again after bedding"), dips),
    ]


_RAIL_WORDS = {"front rail": _("front rail"), "back rail": _("back rail")}
_CONDITION_WORDS = {AT_REST: _("at rest"), SHIFTED: _("shifted"), LOADED: _("under pedal load")}


def _glide_title(number: int, again: int) -> Any:
    if again == 1:
        return _("Glide %(number)d") % {"number": number}
    return _("Glide %(number)d, pass %(again)d") % {"number": number, "again": again}


def _glide_lines(number: int, again: int) -> tuple[Line, ...]:
    name = glide(number)
    return (
        *(Line(name, one, GAP, "mm", _CONDITION_WORDS[one], again) for one in CONDITIONS),
        Line(name, "", FORCED, "", _("forced"), again, tick=True),
        Line(name, AT_REST, KNOCK, "", _("knocks"), again, tick=True),
    )


def _tuning(glides: int, passes: int, spares: int) -> list[Block]:
    blocks = [
        Block(words, tuple(Line(note, "", OFFSET, "cents", note, signed=True) for note in notes))
        for words, notes in zip(REGISTER_WORDS, REGISTER_NOTES, strict=True)
    ]
    return [*blocks, Block(_("Other notes"), _spare(spares, OFFSET, "cents", signed=True))]


def _regulation(glides: int, passes: int, spares: int) -> list[Block]:
    return [
        Block(
            TOUCH_WORDS[quantity],
            (
                Line(TARGET, "", quantity, "mm", _("target"), only_after=True),
                *(Line(key, "", quantity, "mm", key) for key in KEYS),
            ),
        )
        for quantity in TARGETS_MM
    ]


def _voicing(glides: int, passes: int, spares: int) -> list[Block]:
    hint = _("Marks from 0, even with its neighbours, to 10.")
    return [
        Block(_("Notes too weak"), _spare(spares, WEAK, "mark"), hint),
        Block(_("Notes too bright"), _spare(spares, BRIGHT, "mark"), hint),
        Block(
            _("Notes that got hardener"),
            tuple(
                Line(
                    f"{HARDENER} {number}",
                    "",
                    HARDENER,
                    "",
                    pgettext_lazy("of the keyboard", "note"),
                    only_after=True,
                    tick=True,
                    spare=True,
                )
                for number in range(1, spares + 1)
            ),
        ),
    ]


def _spare(count: int, quantity: str, unit: str, signed: bool = False) -> tuple[Line, ...]:
    return tuple(
        Line(
            f"note {number}",
            "",
            quantity,
            unit,
            pgettext_lazy("of the keyboard", "note"),
            signed=signed,
            spare=True,
        )
        for number in range(1, count + 1)
    )


BLOCKS = {"bedding": _bedding, "tuning": _tuning, "regulation": _regulation, "voicing": _voicing}
SPARES = {"tuning": 2, "voicing": 3}
#: By kind: the groups of a worksheet whose means and spreads are told, with their words.
GROUPS: dict[str, list[tuple[str, Any]]] = {
    "tuning": [*zip(REGISTERS, REGISTER_WORDS, strict=True), ("all", _("all notes"))],
    "regulation": list(TOUCH_WORDS.items()),
}
#: What is ticked instead of measured.
TICKS = (FORCED, KNOCK, HARDENER)


def with_stored(blocks: Sequence[Block], stored: Iterable[Point]) -> list[Block]:
    """Return the blocks, and a last one with lines for stored points that have none."""
    known = {line.key for block in blocks for line in block.lines}
    missing = [
        Line(
            one.point,
            one.condition,
            one.quantity,
            one.unit,
            " ".join(part for part in (one.point, one.condition, one.quantity) if part),
            one.pass_number,
            tick=one.quantity in TICKS,
            signed=one.quantity == OFFSET,
        )
        for one in stored
        if (one.point, one.condition, one.quantity, one.pass_number) not in known
    ]
    return [*blocks, Block(_("Written down before"), tuple(missing))] if missing else list(blocks)
