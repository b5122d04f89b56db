"""Worksheets of the invented technicians: measured points that agree with the record of the same day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from fleet import defaults
from fleet.demo.collection import Instrument
from fleet.demo.fleet import InventedFleet
from fleet.demo.habits import Record

SHEETS = {"bedding": 4, "tuning": 3, "regulation": 2, "voicing": 2}
KNOCKS_FROM_MM = 0.05  # common practice, no source
CONDITIONS = ("at rest", "shifted", "under pedal load")
REGISTER_NOTES = (("C2", "F2"), ("C3", "F3"), ("C4", "A4"), ("C6", "F6"))
KEYS = ("C2", "C4", "C6")
UNEVEN_NOTES = ("G#5", "D6", "F#6")


@dataclass(frozen=True)
class Point:
    """One measured point of a worksheet."""

    tag: str
    kind: str
    day: date
    point: str
    condition: str
    quantity: str
    before: float | None
    after: float | None
    unit: str


def worksheets(fleet: InventedFleet) -> Iterator[Point]:
    """Give the points of the newest few records of every kind that have enough to fill a sheet."""
    rng = fleet.spec.stream("worksheets")
    instruments = {one.tag: one for one in fleet.instruments}
    for kind, count in SHEETS.items():
        full = [one for one in fleet.records if one.kind == kind and fills_a_sheet(one)]
        for record in full[-count:]:
            yield from SHEET_OF[kind](rng, record, instruments[record.tag])


def fills_a_sheet(record: Record) -> bool:
    """Return whether a record has the values its worksheet is made of."""
    return record.found is not None and (record.kind != "tuning" or record.registers[0] is not None)


def bedding_sheet(rng: np.random.Generator, record: Record, one: Instrument) -> Iterator[Point]:
    """Give rails first, then every glide in each condition, whether it knocked, and dip at three keys."""
    at = (record.tag, record.kind, record.day)
    for rail in ("front rail", "back rail"):
        yield Point(*at, rail, "glides backed off", "gap", round(float(rng.uniform(0, 0.06)), 2), 0.0, "mm")
    glides = one.glides or defaults.GLIDES
    worst = int(rng.integers(glides))
    found = float(record.found or 0.0)
    for glide in range(glides):
        gap = found if glide == worst else found * float(rng.uniform(0.1, 0.9))
        name = f"glide {glide + 1}"
        for condition, share in zip(CONDITIONS, (1.0, 0.9, 0.7), strict=True):
            yield Point(*at, name, condition, "gap", round(gap * share, 2), 0.0, "mm")
        yield Point(*at, name, "at rest", "knock", float(gap > KNOCKS_FROM_MM), 0.0, "")
    yield from dips(rng, record, 10.0, 0.0)


def tuning_sheet(rng: np.random.Generator, record: Record, one: Instrument) -> Iterator[Point]:
    """Give the offsets at two notes of each register."""
    for notes, offset in zip(REGISTER_NOTES, record.registers, strict=True):
        for note in notes:
            before = round(float((offset or 0.0) + rng.normal(0, 0.6)), 1)
            after = round(float(rng.normal(0, 0.3)), 1) + 0.0
            yield Point(record.tag, record.kind, record.day, note, "", "offset", before, after, "cents")


def regulation_sheet(rng: np.random.Generator, record: Record, one: Instrument) -> Iterator[Point]:
    """Give dip and two dimensions of the touch at three keys."""
    yield from dips(rng, record, 10.0 + float(record.found or 0.0), 10.0)
    for quantity, usual, spread in (("let-off", 1.5, 0.4), ("blow distance", 46.0, 1.0)):
        for key in KEYS:
            before = round(usual + float(rng.normal(0, spread)), 1)
            yield Point(record.tag, record.kind, record.day, key, "", quantity, before, usual, "mm")


def voicing_sheet(rng: np.random.Generator, record: Record, one: Instrument) -> Iterator[Point]:
    """Give the notes that stood out, with a mark before and after."""
    for note in UNEVEN_NOTES:
        before = round(float(np.clip((record.found or 0.0) + rng.normal(0.5, 0.5), 0, 10)) * 2) / 2
        yield Point(
            record.tag, record.kind, record.day, note, "", "too weak", before, min(before, 0.5), "mark"
        )


def dips(rng: np.random.Generator, record: Record, before: float, after: float) -> Iterator[Point]:
    """Give key dip [mm] at three keys around a mean before; after is the same or what it was set to."""
    for key in KEYS:
        measured = round(before + float(rng.normal(0, 0.04)), 2)
        kept = round(measured + float(rng.normal(0.0, 0.03)), 2)
        yield Point(record.tag, record.kind, record.day, key, "", "dip", measured, after or kept, "mm")


SHEET_OF = {
    "bedding": bedding_sheet,
    "tuning": tuning_sheet,
    "regulation": regulation_sheet,
    "voicing": voicing_sheet,
}
