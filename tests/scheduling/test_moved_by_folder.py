"""A site that moves by its folder is forecast the same where it arrives: nothing that counts is lost."""

from __future__ import annotations

from datetime import date

import pytest

from fleet import intake
from fleet.demo.folder import write_fleet
from fleet.demo.spec import FleetSpec
from fleet.imports import export_folder, import_folder
from fleet.models import Instrument, Room, Sensor, ServiceRule, Site
from scheduling import forecasting
from scheduling.models import Forecast
from tests.fleet.folders import NOW, TODAY

SCHOOL = FleetSpec(name="Moorhead School", n_instruments=6, n_rooms=4, seed=5, years=1)
# What names the row, the database's own numbers and the moment of computing; everything else is the forecast.
OF_THE_ROW = {"id", "run_id", "instrument_id", "digest"}


def forecasts_of(site: Site) -> dict[tuple[str, str], dict[str, object]]:
    """Every stored figure of every forecast, by instrument and kind of service."""
    forecasting.refresh(site, TODAY, now=NOW)
    columns = [field.attname for field in Forecast._meta.concrete_fields if field.attname not in OF_THE_ROW]
    rows = Forecast.objects.of_site(site).values("instrument__tag", *columns)
    return {(row.pop("instrument__tag"), row["kind"]): row for row in rows}


@pytest.mark.django_db
def test_a_site_brought_elsewhere_by_its_folder_has_the_same_forecasts_to_the_last_bit(tmp_path):
    write_fleet(tmp_path / "invented", SCHOOL, TODAY)
    import_folder(tmp_path / "invented", now=NOW, today=TODAY)
    here = Site.objects.get()
    # What the invented folder says nothing of.
    rooms = list(Room.objects.of_site(here).order_by("name"))
    Room.objects.filter(pk=rooms[0].pk).update(borrows_from=rooms[1])
    ServiceRule.objects.of_site(here).filter(service_kind__kind="tuning").update(tolerance=3.25)
    Sensor.objects.create(site=here, name="S1", room=rooms[2], first_day=date(2026, 1, 1), humidity_slope=1.1)
    intake.rebuild_days(rooms[2])
    before = forecasts_of(here)
    export_folder(here, tmp_path / "moved")
    Instrument.objects.of_site(here).delete()
    here.delete()
    assert not Forecast.objects.exists()
    import_folder(tmp_path / "moved", now=NOW, today=TODAY)
    there = forecasts_of(Site.objects.get())
    assert len(before) > 12
    assert any(row["learned_from"] for row in before.values())
    assert there == before
