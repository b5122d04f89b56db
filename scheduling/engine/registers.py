"""Registers of a tuning that part from each other: a forecast of its own where they were measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from scheduling.engine.priors import REGISTER_HUMIDITY, REGISTER_SPREAD
from scheduling.engine.subjects import Record, Registers, Subject


def parted(registers: Registers) -> float | None:
    """Half the range of the registers [cents]; positive if the one that damp air sharpens more is sharper.

    None where fewer than two were measured.
    """
    known = [
        (cents, humid) for cents, humid in zip(registers, REGISTER_HUMIDITY, strict=True) if cents is not None
    ]
    if len(known) < 2:
        return None
    (low, low_humid), (high, high_humid) = min(known), max(known)
    half = (high - low) / 2.0
    return half if high_humid >= low_humid else -half


def spread_subjects(subjects: Sequence[Subject]) -> dict[int, Subject]:
    """For each tuning whose registers were ever measured: its place, and a subject for their spread.

    Notes
    -----
    An instrument is out when its registers have parted by more than the tolerance from their middle, even if
    the mean is right. Spread and mean follow the same air, so being out is taken as likely as the likelier of
    the two, and its date as the earlier: exact if they go together.
    """
    out = {}
    for place, subject in enumerate(subjects):
        halves = [parted(record.registers) for record in subject.records]
        if subject.service == "tuning" and any(half is not None for half in halves):
            records = tuple(
                Record(
                    record.day,
                    half,
                    half if record.only_measured else None,
                    only_measured=record.only_measured,
                )
                for record, half in zip(subject.records, halves, strict=True)
                if half is not None or not record.only_measured
            )
            out[place] = replace(subject, service=REGISTER_SPREAD, records=records)
    return out
