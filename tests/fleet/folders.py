"""A small whole folder of an invented house, and ways to bend it."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from django.apps import apps

from fleet.imports import Taken, import_folder

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
TODAY = date(2026, 11, 25)

FILES = {
    "site.csv": "name,time_zone,currency,hour_cost\nHaus Lindwald,Europe/Vienna,EUR,48.50\n",
    "rooms.csv": "room,building,use\nSaal,Neubau,concert\nA1,Altbau,\n",
    "instruments.csv": (
        "instrument,kind,year_built,in_service_since,room,use_class,glides,pitch_hz,humidity_control,maker\n"
        "G1,grand,1998,1999-01-01,Saal,concert,7,443,yes,Aldermoor\n"
        'U1,upright,1960,1970-05-05,A1,practice,,,,"Tewes, Sohn & ""Co"""\n'
    ),
    "placements.csv": "instrument,room,from,to\nG1,A1,1999-01-01,2010-06-30\nG1,Saal,2010-07-01,\n",
    "readings.csv": (
        "room,time,relative_humidity_percent,temperature_c\n"
        "Saal,2026-11-01T08:00,45.3,21.2\n"
        "Saal,2026-11-01T08:30,45.1,21.3\n"
        "A1,2026-11-01T08:00:00+00:00,38,19\n"
    ),
    "services.csv": (
        "instrument,kind,date,minutes,technician,found,left,found_treble,note\n"
        'G1,tuning,2026-10-01,90,Mira Tannhof,-3.2,0.1,4.5,"two\nlines"\n'
        "G1,tuning,2026-10-01,,,,,,again before the concert\n"
        "G1,bedding,2026-02-03,40,Mira Tannhof,0.08,0,,\n"
        "U1,regulation,2026-09-09,,,,,,\n"
    ),
    "people.csv": (
        "name,email,role,hours_per_week,skills,hour_cost\n"
        "Mira Tannhof,mira@lindwald.example,technician,20,tuning;bedding,55\n"
        "Jonas Weid,jonas@lindwald.example,administrator,,,\n"
    ),
    "absences.csv": "name,from,to\nMira Tannhof,2026-12-24,2027-01-06\n",
    "terms.csv": "name,from,to,weight_factor,playing_factor\nwinter,2026-10-01,2027-01-31,1,1.2\n",
    "service_kinds.csv": (
        "kind,use_class,tolerance,weight,hours,interval_days\n"
        "tuning,concert,1.5,,,\n"
        "cleaning,concert,1,2,3,100\n"
    ),
    "sensors.csv": "sensor,room,from,to,humidity_offset_percent\nS7,Saal,2026-01-01,,-1.5\n",
    "worksheets.csv": (
        "instrument,kind,date,point,condition,quantity,before,after,unit\n"
        "G1,bedding,2026-02-03,glide 3,at rest,gap,0.08,0.01,mm\n"
    ),
    "held.csv": "instrument,kind,week\nG1,tuning,2026-W53\n",
    "requests.csv": 'instrument,notes,symptom,made_at,words\nG1,D#3 F6,buzz,2026-11-20T10:15,"soft, only"\n',
    "bookings.ics": "\r\n".join(
        [
            "BEGIN:VCALENDAR",
            "VERSION:2.0",
            "PRODID:-//Lindwald//house//EN",
            "BEGIN:VEVENT",
            "UID:evening",
            "DTSTART:20261205T183000Z",
            "DTEND:20261205T203000Z",
            "LOCATION:Saal",
            "SUMMARY:An evening\\, by candlelight",
            "CATEGORIES:PERFORMANCE",
            "END:VEVENT",
            "END:VCALENDAR",
            "",
        ]
    ),
}


def write_folder(path: Path, **changed: str | bytes | None) -> Path:
    """Write the folder; a file is replaced by ``name_csv=text`` and left out by None."""
    path.mkdir(parents=True, exist_ok=True)
    files: dict[str, str | bytes | None] = {**FILES}
    for name, content in changed.items():
        files[name.replace("_csv", ".csv").replace("_ics", ".ics")] = content
    for name, content in files.items():
        if content is not None:
            (path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def replaced(file: str, old: str, new: str) -> str:
    """Return a file of the folder with one text replaced by another."""
    assert FILES[file].count(old) == 1, (file, old)
    return FILES[file].replace(old, new)


def take(path: Path, **options: Any) -> Taken:
    """Import a folder on the day the folder was written for."""
    return import_folder(path, now=NOW, **options)


def row_counts() -> dict[str, int]:
    """Return the rows of every table of the facts."""
    return {
        model.__name__: model._default_manager.count() for model in apps.get_app_config("fleet").get_models()
    }
