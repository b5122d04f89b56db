"""What a person may say about an odd file, and the same as plain data to be kept."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from fleet.oddcsv.stamps import ORDERS
from fleet.oddcsv.text import DELIMITERS, ENCODINGS, Shape
from fleet.refusal import Refused

IGNORE = "ignore"
STAMP, DATE, CLOCK = "stamp", "date", "clock"
CELSIUS, FAHRENHEIT = "temperature_c", "temperature_f"
PERCENT, FRACTION = "humidity_percent", "humidity_fraction"
ROOM = "room"
MEANINGS = (IGNORE, STAMP, DATE, CLOCK, CELSIUS, FAHRENHEIT, PERCENT, FRACTION, ROOM)
TEMPERATURES, HUMIDITIES = (CELSIUS, FAHRENHEIT), (PERCENT, FRACTION)
#: Whose clock wrote the times: the wall of the site, UTC, each time's own offset, or an offset all year.
SITE_CLOCK, UTC_CLOCK, WRITTEN_CLOCK = "site", "utc", "written"
OFFSETS = tuple(
    f"{sign}{minutes // 60:02}:{minutes % 60:02}"
    for sign, minutes in [("-", m) for m in range(720, 0, -60)] + [("+", m) for m in range(0, 841, 30)]
)
CLOCKS = (SITE_CLOCK, UTC_CLOCK, WRITTEN_CLOCK, *OFFSETS)
DECIMALS = (".", ",")
MOST_COLUMNS = 200


@dataclass(frozen=True)
class Choices:
    """How a file is read; an empty text is a question nobody has answered yet."""

    encoding: str
    delimiter: str
    header_line: int
    meanings: tuple[str, ...]
    decimal: str = "."
    order: str = ""
    clock: str = SITE_CLOCK
    leave_out: bool = False  # lines without one of the two values, instead of refusing them

    @property
    def shape(self) -> Shape:
        """How bytes become rows."""
        return Shape(self.encoding, self.delimiter, self.header_line)

    def column(self, *meanings: str) -> int | None:
        """Return the place of the column with one of these meanings; None where there is none."""
        places = [place for place, meaning in enumerate(self.meanings) if meaning in meanings]
        return places[0] if places else None

    def document(self) -> dict[str, Any]:
        """Return the choices as plain data."""
        return {**asdict(self), "meanings": list(self.meanings)}

    def changed(self, **said: Any) -> Choices:
        """Return the choices with some of them said otherwise."""
        return replace(self, **said)


def choices_of(document: Mapping[str, Any]) -> Choices:
    """Return choices from plain data, of whatever origin.

    Raises
    ------
    Refused
        Where one of them is none of those that exist.
    """
    names = {field.name for field in fields(Choices)}
    said = {name: document[name] for name in names if name in document}
    try:
        said["meanings"] = tuple(said["meanings"])
        said["header_line"] = int(said["header_line"])
        choices = Choices(**said)
    except (KeyError, TypeError, ValueError):
        raise Refused("choices that say too little", accepted=", ".join(sorted(names))) from None
    for name, value, known in (
        ("encoding", choices.encoding, ENCODINGS),
        ("delimiter", choices.delimiter, DELIMITERS),
        ("decimal", choices.decimal, DECIMALS),
        ("order", choices.order, ("", *ORDERS)),
        ("clock", choices.clock, CLOCKS),
        *((f"column {place}", meaning, MEANINGS) for place, meaning in enumerate(choices.meanings, start=1)),
    ):
        if value not in known:
            raise Refused("no such choice", column=name, value=value, accepted=", ".join(map(repr, known)))
    if choices.header_line < 1 or len(choices.meanings) > MOST_COLUMNS:
        raise Refused("no such choice", column="header_line", value=choices.header_line, accepted="a line")
    return choices


def missing_in(choices: Choices) -> list[tuple[str, str]]:
    """Return what has still to be said before the file can be read: names of choices, and why."""
    found = []
    dates = choices.column(DATE, STAMP) is not None
    whole = choices.column(STAMP) is not None or (
        choices.column(DATE) is not None and choices.column(CLOCK) is not None
    )
    if not whole:
        found.append(("time", "Which column says when: one with date and time, or one of each?"))
    elif dates and not choices.order:
        found.append(("order", "In which order do day, month and year stand?"))
    for name, meanings, question in (
        ("temperature", TEMPERATURES, "Which column is the temperature, and in which unit?"),
        ("humidity", HUMIDITIES, "Which column is the relative humidity: percent, or a fraction of one?"),
    ):
        if choices.column(*meanings) is None:
            found.append((name, question))
    doubled = [
        meaning
        for meaning in (STAMP, DATE, CLOCK, TEMPERATURES, HUMIDITIES, ROOM)
        if sum(one in (meaning if isinstance(meaning, tuple) else (meaning,)) for one in choices.meanings) > 1
    ]
    if doubled:
        found.append(("twice", "Two columns cannot mean the same: leave out all but one of them."))
    return found


def signature_of(header: Sequence[str]) -> str:
    """Return by what a header is known again, whatever the case and the blanks of its names."""
    plain = "\x1f".join(" ".join(name.split()).casefold() for name in header)
    return hashlib.sha256(plain.encode()).hexdigest()
