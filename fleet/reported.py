"""Note requests as technicians read them: each note with its place and the keys to try first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fleet.drawing import around
from fleet.keyboard import Compass, Key
from fleet.models import Instrument, InstrumentKind, NoteRequest
from fleet.notes import note_number


@dataclass(frozen=True)
class ReportedNote:
    """A note of a request: its name, and its key where the instrument has it.

    `neighbours` are those to try first: the keys beside it that were not reported themselves.
    """

    name: str
    key: Key | None
    neighbours: list[Key]


@dataclass(frozen=True)
class ReportedLine:
    """A request with its notes on the keyboard of its instrument."""

    request: NoteRequest
    compass: Compass
    notes: list[ReportedNote]

    @property
    def marked(self) -> list[int]:
        """The numbers of its keys."""
        return [note.key.number for note in self.notes if note.key]

    @property
    def try_first(self) -> list[Key]:
        """The keys beside those that were named and not among them."""
        return around(self.marked, self.compass)


def reported_lines(requests: Iterable[NoteRequest]) -> list[ReportedLine]:
    """Return requests as lines, with one query for all kinds of instrument that sites have added."""
    requests = list(requests)
    sites = {one.instrument.site_id for one in requests}
    kinds: dict[int, dict[str, InstrumentKind]] = {site: {} for site in sites}
    for kind in InstrumentKind.objects.filter(site__in=sites):
        kinds[kind.site_id][kind.kind] = kind
    return [reported_line(one, one.instrument, kinds[one.instrument.site_id]) for one in requests]


def reported_line(
    request: NoteRequest, instrument: Instrument, added: dict[str, InstrumentKind] | None = None
) -> ReportedLine:
    """Return one request as a line."""
    compass = instrument.keyboard(added)
    numbers = {name: note_number(name) for name in request.notes}
    tried = {key.number for key in around(numbers.values(), compass)}
    notes = []
    for name, number in numbers.items():
        key = compass.key(number) if number in compass else None
        beside = compass.neighbours(number) if key else []
        notes.append(ReportedNote(name, key, [one for one in beside if one.number in tried]))
    return ReportedLine(request, compass, notes)
