"""What is exported reads back the same: any facts, to the last bit, and the files of a second export."""

from __future__ import annotations

import datetime as clock
import shutil
import tempfile
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.db import models as db
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from fleet import models
from fleet.imports import export_folder
from fleet.imports.cells import Number, Percent
from fleet.models.instruments import KNOWN_KINDS, UseClass
from fleet.notes import NOTES
from fleet.sites import create_site
from tests.fleet.folders import TODAY, take

# Whatever a form can store: no control characters in lines, but any in longer texts except NUL, which
# PostgreSQL cannot hold, and a carriage return, which a form never sends alone.
LINE = st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"])
lines = st.text(LINE, max_size=12)
names = st.text(LINE, min_size=1, max_size=12).filter(lambda text: text.strip())
paragraphs = st.text(st.one_of(LINE, st.sampled_from("\n\t\"',;=")), max_size=30)
floats = st.floats(-1e3, 1e3)
measured = st.none() | floats
past = st.dates(date(2000, 1, 1), TODAY)
days = st.dates(date(2000, 1, 1), date(2040, 1, 1))
instants = st.datetimes(datetime(2000, 1, 1), datetime(2040, 1, 1), timezones=st.just(UTC))
seconds = instants.map(lambda instant: instant.replace(microsecond=0))
money = st.none() | st.decimals(0, 999, places=2)
ZONES = ["Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu"]
BOUNDS = {"tuning": 1000.0, "bedding": 20.0, "regulation": 20.0, "voicing": 10.0, "cleaning": 1000.0}


def facts_of(site: models.Site) -> dict[str, list[Any]]:
    """Return every fact of a site by name instead of by number, read by the models and not by the export."""
    paths = {
        models.Room: ["borrows_from__name"],
        models.Instrument: ["room__name"],
        models.Placement: ["instrument__tag", "room__name"],
        models.Person: [],
        models.Absence: ["person__name"],
        models.Term: [],
        models.DayOff: [],
        models.Sensor: ["room__name"],
        models.InstrumentKind: [],
        models.ServiceKind: [],
        models.ServiceRule: ["service_kind__kind"],
        models.Service: ["instrument__tag"],
        models.WorksheetLine: ["instrument__tag"],
        models.HeldVisit: ["instrument__tag"],
        models.NoteRequest: ["instrument__tag"],
        models.Booking: ["room__name", "instruments__tag"],
        models.ClimateReading: ["room__name"],
        models.ClimateDay: ["room__name"],
    }
    made_anew = {"public_id", "recorded_at", "form_token"}
    found: dict[str, list[Any]] = {}
    for model, named in paths.items():
        plain = [
            field.attname
            for field in model._meta.concrete_fields
            if not isinstance(field, db.ForeignKey) and not field.primary_key and field.name not in made_anew
        ]
        found[model.__name__] = sorted(map(repr, model.objects.of_site(site).values_list(*plain, *named)))
    fields = ("name", "time_zone", "currency", "hour_cost", "reserve_hours", "mail_sender")
    found["Site"] = [repr([getattr(models.Site.objects.get(pk=site.pk), field) for field in fields])]
    return found


def contents(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def forget(site: models.Site) -> None:
    models.Instrument.objects.of_site(site).delete()
    site.delete()


class Draw:
    """Draws facts and stores them through the models."""

    def __init__(self, data: st.DataObject) -> None:
        self._data = data

    def __call__(self, strategy: st.SearchStrategy[Any]) -> Any:
        return self._data.draw(strategy)

    def some(self, strategy: st.SearchStrategy[Any], most: int = 3) -> list[Any]:
        return self(st.lists(strategy, max_size=most, unique=True))

    def site(self) -> models.Site:
        site = create_site(
            self(names),
            self(st.sampled_from(ZONES)),
            hour_cost=self(money),
            reserve_hours=self(st.floats(0, 10)),
            mail_sender=self(st.sampled_from(["", "house@lindwald.example"])),
            currency=self(st.sampled_from(["EUR", "CHF"])),
        )
        self.kinds(site)
        self.rooms(site)
        self.people(site)
        self.instruments(site)
        return site

    def kinds(self, site: models.Site) -> None:
        if self(st.booleans()):
            models.InstrumentKind.objects.create(
                site=site,
                kind="spinet",
                behaves_like=self(st.sampled_from(KNOWN_KINDS)),
                compass=self(st.sampled_from(["", "C2-C6"])),
            )
        kind = models.ServiceKind.objects.create(
            site=site,
            kind="cleaning",
            unit=self(st.sampled_from(["", "mm"])),
            instrument_kinds=self(st.sampled_from([[], ["grand", "upright"]])),
            position=self(st.sampled_from([100, 7])),
        )
        for use_class in UseClass.values:
            models.ServiceRule.objects.create(
                service_kind=kind,
                use_class=use_class,
                tolerance=self(st.floats(0.01, 50)),
                weight=self(st.floats(0, 50)),
                hours=self(st.floats(0.01, 50)),
                interval_days=self(st.integers(1, 2000)),
                spacing_weeks=self(st.integers(1, 60)),
            )
        rules = models.ServiceRule.objects.filter(service_kind__site=site, service_kind__kind="tuning")
        rules.filter(use_class="concert").update(
            tolerance=self(st.floats(0.01, 50)), spacing_weeks=self(st.integers(1, 3))
        )
        voicing = models.ServiceKind.objects.get(site=site, kind="voicing")
        voicing.position = self(st.sampled_from([3, 50]))
        voicing.shorter_beside = self(st.sampled_from([[], ["bedding", "regulation"]]))
        voicing.shorter_by_hours = self(st.sampled_from([0.25, 0.4]))
        voicing.save()

    def rooms(self, site: models.Site) -> None:
        rooms = [
            models.Room.objects.create(site=site, name=name, building=self(lines), use=self(lines))
            for name in self(st.lists(names, min_size=1, max_size=3, unique=True))
        ]
        for room, lender in zip(rooms[1:], rooms, strict=False):
            if self(st.booleans()):
                room.borrows_from = lender
                room.save()
        rooms[-1].outdoors = self(st.booleans())
        rooms[-1].save()
        for room in rooms:
            self.readings(room)
        for first in self.some(days):
            models.Sensor.objects.create(
                site=site,
                name="S1",
                room=rooms[0],
                first_day=first,
                last_day=self(st.none() | st.just(first + timedelta(days=3))),
                humidity_offset=self(st.floats(-0.4, 0.4)),
                humidity_slope=self(st.just(1.0) | st.floats(0.51, 1.99)),
                checked_on=self(st.none() | st.dates(date(2020, 1, 1), date(2026, 1, 1))),
            )
        for name in self.some(names, 1):
            models.Term.objects.create(
                site=site,
                name=name,
                first_day=date(2026, 1, 1),
                last_day=self(st.dates(date(2026, 1, 1), date(2027, 1, 1))),
                weight_factor=self(st.floats(0, 9)),
                playing_factor=self(st.floats(0, 9)),
            )
        for day in self.some(days, 2):
            models.DayOff.objects.get_or_create(
                site=site, day=day, defaults={"name": self(lines), "free": self(st.booleans())}
            )

    def readings(self, room: models.Room) -> None:
        for time in self.some(instants, 6):
            models.ClimateReading.objects.create(
                room=room,
                time=time,
                temp_c=self(st.floats(-40, 60)),
                rh=self(st.floats(0, 1)),
                source=self(st.sampled_from(["", "logger"])),
            )

    def people(self, site: models.Site) -> None:
        for name in self(st.lists(names, max_size=2, unique=True)):
            person = models.Person.objects.create(
                site=site,
                name=name,
                email="mira@lindwald.example",
                role=self(st.sampled_from(models.Role.values)),
                hours_per_week=self(st.none() | st.floats(0, 168)),
                working_days=self(st.lists(st.integers(0, 6), unique=True)),
                skills=self(st.sampled_from([[], ["tuning"], ["voicing", "cleaning"]])),
                hour_cost=self(money),
                by_contract=self(st.booleans()),
                day_from=self(st.sampled_from([clock.time(8), clock.time(6, 30)])),
                day_until=self(st.sampled_from([clock.time(17), clock.time(12)])),
                lunch_from=self(st.sampled_from([clock.time(12), clock.time(11, 45)])),
                lunch_minutes=self(st.integers(0, 240)),
            )
            for first in self.some(days, 2):
                models.Absence.objects.create(person=person, first_day=first, last_day=first)

    def instruments(self, site: models.Site) -> None:
        rooms = list(models.Room.objects.of_site(site))
        instruments = [
            models.Instrument.objects.create(
                site=site,
                tag=tag,
                kind=self(st.sampled_from(["grand", "upright", "celesta"])),
                year_built=self(st.integers(1400, 2200)),
                in_service_since=self(days),
                room=self(st.sampled_from(rooms)),
                use_class=self(st.sampled_from(UseClass.values)),
                hours_played_per_week=self(st.none() | st.floats(0, 168)),
                glides=self(st.none() | st.integers(0, 20)),
                lever_front_mm=self(st.none() | st.floats(0.1, 500)),
                pitch_hz=self(st.floats(330, 500)),
                humidity_control=self(st.booleans()),
                compass=self(st.sampled_from(["", "F1-F6", "A#0-C8"])),
                maker=self(lines),
                model=self(lines),
                serial=self(lines),
                retired_on=self(st.none() | days),
            )
            for tag in self(st.lists(names, max_size=2, unique=True))
        ]
        for instrument in instruments:
            self.history(instrument, rooms)
        for uid in self(st.lists(names, max_size=2, unique=True)):
            self.booking(site, uid, rooms, instruments)

    def history(self, instrument: models.Instrument, rooms: list[models.Room]) -> None:
        for first in self.some(days, 2):
            models.Placement.objects.create(
                instrument=instrument,
                room=self(st.sampled_from(rooms)),
                first_day=first,
                last_day=self(st.none() | st.just(first + timedelta(days=9))),
            )
        kinds = ["tuning", "regulation", "voicing"] + ["bedding"] * (instrument.kind == "grand")
        for kind, day, order in self.some(
            st.tuples(st.sampled_from(kinds), past, st.sampled_from([0, 0, 1, 4])), 4
        ):
            found = st.none() | st.floats(0 if kind == "voicing" else -BOUNDS[kind], BOUNDS[kind])
            values = {name: self(found) for name in ("found", "left", "found_bass", "found_treble")}
            look = values["found"] is not None and self(st.booleans())
            models.Service.objects.create(
                instrument=instrument,
                kind=kind,
                date=day,
                order=order,
                minutes=self(st.none() | st.integers(0, 6000)),
                technician=self(lines),
                note=self(paragraphs),
                **({**values, "left": None, "only_measured": True} if look else values | self.hardener()),
            )
        for quantity, day in self.some(st.tuples(names, past), 3):
            models.WorksheetLine.objects.create(
                instrument=instrument,
                kind="regulation",
                date=day,
                order=self(st.integers(0, 2)),
                pass_number=self(st.integers(1, 3)),
                point=self(names),
                condition=self(lines),
                quantity=quantity,
                before=self(measured),
                after=self(measured),
                unit=self(lines),
            )
        for week in self.some(st.integers(0, 500), 2):
            models.HeldVisit.objects.create(
                instrument=instrument, kind="tuning", week=date(2026, 12, 28) + timedelta(weeks=week)
            )
        for made_at in self.some(instants, 2):
            models.NoteRequest.objects.create(
                instrument=instrument,
                notes=self(st.lists(st.sampled_from(NOTES), max_size=3)),
                symptom=self(names),
                words=self(paragraphs),
                made_at=made_at,
                made_by=self(lines),
                state=self(st.sampled_from(["open", "done", "nothing_found"])),
                closed_at=self(st.none() | instants),
                closed_by=self(lines),
                finding=self(paragraphs),
                finding_shown=self(st.booleans()),
            )

    def hardener(self) -> dict[str, Any]:
        applied = self(st.none() | instants)
        dry = applied and self(
            st.none() | st.timedeltas(timedelta(0), timedelta(days=3)).map(applied.__add__)
        )
        return {"hardener_at": applied, "dry_at": dry}

    def booking(
        self, site: models.Site, uid: str, rooms: list[models.Room], instruments: list[models.Instrument]
    ) -> None:
        occurrences = ["", "2026-12-05T18:30:00+00:00", "2026-12-06", "the first of them"]
        for occurrence in self.some(st.sampled_from(occurrences)):
            starts_at = self(seconds)
            booking = models.Booking.objects.create(
                site=site,
                room=self(st.sampled_from(rooms)),
                uid=uid,
                occurrence=occurrence,
                starts_at=starts_at,
                ends_at=starts_at + timedelta(seconds=self(st.integers(1, 10**6))),
                title=self(lines),
                performance=self(st.booleans()),
                pitch_hz=self(st.none() | st.floats(330, 500)),
            )
            booking.instruments.set(instruments if self(st.booleans()) else [])


class RoundTrip(TestCase):
    @settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def test_what_is_exported_reads_back_the_same(self, data):
        site = Draw(data).site()
        folder = Path(tempfile.mkdtemp())
        try:
            export_folder(site, folder / "first")
            # Readings made by the models have neither doubts nor days yet; what is there is the same.
            first = take(folder / "first")
            assert not any(counts.new or counts.changed for counts in first.files.values()), first
            for room in models.Room.objects.of_site(site):
                models.ClimateDay.objects.filter(room=room).delete()
            before = facts_of(site)
            forget(site)
            taken = take(folder / "first")
            again = models.Site.objects.get(name=taken.site)
            after = facts_of(again)
            export_folder(again, folder / "second")
            assert contents(folder / "second") == contents(folder / "first")
            days = after.pop("ClimateDay")
            assert bool(days) == bool(after["ClimateReading"])
            before.pop("ClimateDay")
            assert after == before
            repeated = take(folder / "second")
            assert not any(counts.new or counts.changed for counts in repeated.files.values())
            assert facts_of(again) == after | {"ClimateDay": days}
        finally:
            shutil.rmtree(folder)


@given(st.floats(0, 1))
def test_a_fraction_written_in_percent_reads_back_to_the_last_bit(value):
    cell = Percent(0, 100)
    assert cell.read(cell.write(value)) == value
    # A reader that divides instead of moving the point is off by no more than rounding.
    assert abs(float(cell.write(value)) / 100 - value) <= 2**-52 * value + 5e-324


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_to_the_last_bit(value):
    assert Number().read(Number().write(value)) == value


def test_percentages_are_written_as_people_write_them():
    cell = Percent(0, 100)
    written = [cell.write(value) for value in (0.453, 0.5, 1.0, 0.0, 0.07, 1e-5)]
    assert written == ["45.3", "50", "100", "0", "7", "0.001"]
    assert cell.read("45.3") == 0.453
    assert Decimal(cell.write(0.1 + 0.2)) == Decimal(repr(0.1 + 0.2)) * 100
