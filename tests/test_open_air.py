"""Open data over HTTP as a logger would post it, and against what the data say of themselves.

Outdoor air: Greensboro NC, typical meteorological year TMY3 723170 (US Government), as packaged with pvlib.
Indoor air: an office, every sixteenth minute, as packaged with river; Candanedo and Feldheim, "Accurate
occupancy detection of an office room", Energy and Buildings 112 (2016).
"""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from django.utils import timezone
from river.drift.datasets import Occupancy

from fleet import ways_in
from scheduling.engine.psychrometrics import saturation_pressure
from tests import factories as make

pytestmark = pytest.mark.django_db


def outdoor_year() -> pd.DataFrame:
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table, _ = pvlib.iotools.read_tmy3(path, coerce_year=2025, map_variables=True)
    return table


@pytest.fixture
def post(client):
    site = make.make_site(time_zone="America/New_York")
    room = make.make_room(site, "Yard")
    secret = ways_in.make_way_in(site, "open data", room, None, timezone.now())[1]

    def send(body: str, kind: str) -> dict:
        headers = {"Authorization": f"Bearer {secret}"}
        answer = client.post("/api/readings", body, content_type=kind, headers=headers)
        assert answer.status_code == 200, answer.content[:300]
        return answer.json()

    return room, send


def test_an_outdoor_year_is_posted_as_csv_and_its_days_are_those_of_pandas(post):
    room, send = post
    table = outdoor_year()
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["time", "relative_humidity_percent", "temperature_c"])
    for time, rh, temp in zip(table.index, table["relative_humidity"], table["temp_air"], strict=True):
        writer.writerow([time.isoformat(), rh, temp])
    told = send(out.getvalue(), "text/csv")
    assert (told["stored"], told["refused"]) == (8760, 0)
    assert send(out.getvalue(), "text/csv")["same"] == 8760
    local = table.tz_convert("America/New_York")
    rows = pd.DataFrame(room.readings.order_by("time").values("time", "temp_c", "doubt"))
    trusted = local.loc[~(rows["doubt"] != "").to_numpy()]
    wanted = trusted["temp_air"].groupby(trusted.index.date).mean()
    days = dict(room.climate_days.filter(hours_covered__gte=23).values_list("date", "temp_c_mean"))
    assert len(days) > 300
    assert max(abs(wanted[day] - mean) for day, mean in days.items()) < 1e-9


def test_an_office_is_posted_as_json_to_the_digit(post):
    room, send = post
    with open(Occupancy().path) as file:
        rows = list(csv.DictReader(file))
    body = [
        {
            "time": datetime.fromisoformat(row["time"]).isoformat() + "+01:00",
            "temperature_c": float(row["V1"]),
            "relative_humidity_percent": float(row["V2"]),
        }
        for row in rows
    ]
    assert send(json.dumps(body), "application/json")["stored"] == 509
    stored = room.readings.order_by("time").values_list("temp_c", "rh")
    assert [temp for temp, _ in stored] == [float(row["V1"]) for row in rows]
    assert [rh for _, rh in stored] == pytest.approx([float(row["V2"]) / 100 for row in rows], abs=1e-15)


def test_the_file_s_own_dew_points_agree_with_its_humidities():
    """Humidity from temperature and dew point less that recorded, beforehand: mean −0.48, sd 1.37 % RH."""
    table = outdoor_year()
    recorded = table["relative_humidity"].to_numpy()
    reckoned = 100 * saturation_pressure(table["temp_dew"]) / saturation_pressure(table["temp_air"])
    # Below 0 °C a dew point may be meant over water or over ice; the two differ by up to 15 % of it.
    warm = (table["temp_dew"] > 0).to_numpy()
    difference = (reckoned - recorded)[warm]
    assert abs(difference.mean()) < 0.6
    assert difference.std() < 1.4
    assert np.median(np.abs(difference)) < 0.5
