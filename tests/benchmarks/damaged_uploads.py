"""Randomly damaged files of readings through the upload: none crashes it, none is stored in part.

Run from the repository's root: ``python tests/benchmarks/damaged_uploads.py [--files 10000] [--seed 1]``;
``DATABASE_URL`` chooses the database server, and a test database of its own is made and dropped. Each file is
a sound one in a random style, then damaged by flipped, dropped, doubled, swapped and inserted bytes or lines.
What is asked of each: it is stored whole, with as many readings as an independent reading of its undamaged
lines allows at most, or not at all; a refusal names a line, or says what is accepted of the file as a whole;
nothing but a refusal is ever raised. A seeded short form runs with the tests.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
START = datetime(2026, 3, 2, tzinfo=UTC)
ROWS = 60
STYLES = (
    ("time,temp °C,RH %", "%Y-%m-%dT%H:%M:%SZ", ",", "."),
    ("Zeit;Temperatur [°C];rel. Feuchte [%]", "%d.%m.%Y %H:%M", ";", ","),
    ("Timestamp\tRH (%)\tTemp (°F)", "%m/%d/%Y %I:%M:%S %p", "\t", "."),
    ("date|time|celsius|humidity %", "%Y/%m/%d|%H:%M", "|", "."),
)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "latin-1")
ODD = (
    b"\x00",
    b"\xff",
    b'"',
    b",",
    b";",
    b"\n",
    b"\r",
    b"9",
    b"-",
    b"e",
    b" ",
    "€".encode(),
    b"NaN",
    b"\x1a",
)


def sound(chance: random.Random) -> bytes:
    """Return a sound file in one of the styles."""
    header, stamp, delimiter, mark = chance.choice(STYLES)
    step = chance.choice([10, 30, 60, 24 * 60])
    lines = ["a logger that says something about itself"] * chance.choice([0, 0, 2]) + [header]
    for number in range(ROWS):
        when = (START + timedelta(minutes=step * number)).strftime(stamp).split("|")
        values = [f"{18 + chance.random() * 6:.2f}", f"{30 + chance.random() * 30:.1f}"]
        if "RH (%)\tTemp" in header:
            values = [values[1], f"{float(values[0]) * 1.8 + 32:.2f}"]
        lines.append(delimiter.join([*when, *(value.replace(".", mark) for value in values)]))
    return chance.choice(["\n", "\r\n"]).join([*lines, ""]).encode(chance.choice(ENCODINGS), "replace")


def damaged(content: bytes, chance: random.Random) -> bytes:
    """Return a file with one to four damages."""
    data = bytearray(content)
    for _ in range(chance.randint(1, 4)):
        _damage(data, chance)
    return bytes(data)


def _damage(data: bytearray, chance: random.Random) -> None:
    at = chance.randrange(len(data) + 1)
    kind = chance.randrange(8)
    if kind == 0 and at < len(data):
        data[at] ^= 1 << chance.randrange(8)
    elif kind == 1:
        del data[at : at + chance.randint(1, 40)]
    elif kind == 2:
        data[at:at] = chance.choice(ODD) * chance.randint(1, 3)
    elif kind == 3:
        data[at:at] = chance.randbytes(chance.randint(1, 20))
    elif kind == 4:
        data[at:] = b""
    elif kind == 5:
        piece = bytes(data[at : at + 200])
        data[at:at] = piece
    elif kind == 6:
        lines = bytes(data).split(b"\n")
        chance.shuffle(lines)
        data[:] = b"\n".join(lines)
    else:
        data[at : at + 1] = chance.choice(ODD)


@dataclass
class Told:
    """What became of the files."""

    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)


def try_files(room: Any, count: int, seed: int) -> Told:
    """Put damaged files through the upload one by one, looking at the tables after each."""
    from fleet.models import ClimateDay, ClimateReading, LoggerFormat, ReadingsUpload

    told = Told()
    for number in range(count):
        chance = random.Random(seed * 1_000_003 + number)
        content = damaged(sound(chance), chance)
        try:
            outcome, upload = _one(room, content)
        except Exception as error:
            told.faults.append(f"file {number}: {type(error).__name__}: {error}")
            outcome, upload = "crash", None
        stored = ClimateReading.objects.count()
        wanted = upload.new if upload is not None and outcome == "stored" else 0
        if stored != wanted:
            told.faults.append(f"file {number}: {outcome}, {stored} readings where {wanted} were told")
        if outcome == "stored" and sum(ClimateDay.objects.values_list("readings", flat=True)) != stored:
            told.faults.append(f"file {number}: the days hold other readings than the table")
        if outcome == "refused" and not _names_its_reason(upload):
            told.faults.append(f"file {number}: refused without line and value: {upload!r}")
        told.counts[outcome] += 1
        for model in (ReadingsUpload, LoggerFormat, ClimateReading, ClimateDay):
            model.objects.all().delete()
    return told


def _one(room: Any, content: bytes) -> tuple[str, Any]:
    """Bring a file, answer what it asks, and have it stored; return what it came to."""
    from fleet import upload_storing, uploads
    from fleet.refusal import Refused
    from fleet.upload_trial import trial_of

    now = datetime(2026, 11, 25, 8, tzinfo=UTC)
    try:
        upload = uploads.begin(room.site, "damaged.csv", [content], room, None, now)
    except Refused as refusal:
        return "no table", str(refusal)
    try:
        questions = [name for name, _ in uploads.unsaid(upload)]
        if questions == ["order"]:
            upload = uploads.choose(upload, {"order": (upload.head["orders"] or ["ymd"])[0]}, room)
        elif questions:
            return "asked", upload
        trial_of(upload, now)
        uploads.ask_to_store(upload)
        upload_storing.store(upload.pk)
    finally:
        uploads.path_of(upload).unlink(missing_ok=True)
    upload.refresh_from_db()
    return str(upload.state), upload


def _names_its_reason(upload: Any) -> bool:
    return all(
        "line " in line and "accepted: " in line for line in upload.trouble.splitlines() if line[:3] != "and"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.conf import settings
    from django.db import connection

    from fleet.models import Room
    from fleet.sites import create_site

    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    start = time.perf_counter()
    try:
        with tempfile.TemporaryDirectory() as folder:
            settings.UPLOADS_DIR = folder
            room = Room.objects.create(site=create_site("Damaged", "Europe/Vienna"), name="Hall")
            told = try_files(room, options.files, options.seed)
    finally:
        connection.creation.destroy_test_db(str(connection.settings_dict["NAME"]), verbosity=0)
    print(f"{options.files:,} damaged files, seed {options.seed}, {connection.vendor}")
    print(f"{time.perf_counter() - start:.0f} s: {dict(told.counts)}")
    print(f"faults: {len(told.faults)}")
    for fault in told.faults[:20]:
        print(" ", fault)
    sys.exit(1 if told.faults else 0)


if __name__ == "__main__":
    main()
