"""The whole way on open data: an outdoor year and a real office become rooms, forecast, plan and letter.

Outdoor air: Greensboro NC, typical meteorological year TMY3 723170 (US Government), as packaged with pvlib.
Indoor air: an office at one-minute steps, every sixteenth kept, as packaged with river; Candanedo and
Feldheim, "Accurate occupancy detection of an office room", Energy and Buildings 112 (2016).
Both are dated to the year before the day of the test. Instruments, people and records are invented.
"""

import csv
import io
import json
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from django.core.management import call_command
from river.drift.datasets import Occupancy

from fleet.models import ClimateDay, Site
from scheduling import planning
from scheduling.models import Forecast

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)
INDOORS_C = 21.0
DAMPEST = 0.60  # summers are dried: without it the heated air of July would stand at 77 %


def magnus(temp_c):
    """Saturation vapour pressure over water [Pa], Magnus form; within 0.3 % indoors."""
    return 610.94 * np.exp(17.625 * temp_c / (temp_c + 243.04))


def outdoor_year(last: date) -> pd.DataFrame:
    """The typical year moved so that its last hour is the end of a day; times are local standard time."""
    path = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
    table, _ = pvlib.iotools.read_tmy3(path, coerce_year=1990, map_variables=True)
    table = table.reset_index(drop=True)
    hours = pd.date_range("1990-01-01", periods=8760, freq="h")
    end = pd.Timestamp(last.replace(year=1990)) + pd.Timedelta(hours=23)
    turned = np.roll(np.arange(8760), -(hours.get_loc(end) + 1))
    first = pd.Timestamp(last) - pd.Timedelta(hours=8759 - 23)
    return pd.DataFrame(
        {
            "time": pd.date_range(first, periods=8760, freq="h"),
            # the vapour pressure stays when air is heated at constant humidity ratio
            "rh": np.minimum(magnus(table["temp_dew"].to_numpy()) / magnus(INDOORS_C), DAMPEST)[turned],
        }
    )


def readings_of(last: date) -> list[tuple[str, str, float, float]]:
    year = outdoor_year(last)
    rows = []
    for room, share in (("Heated", 1.0), ("Calm", 0.3)):
        rh = 0.45 + share * (year["rh"] - 0.45)
        rows += [
            (room, f"{time.isoformat()}-05:00", 100 * humidity, INDOORS_C)
            for time, humidity in zip(year["time"], rh, strict=True)
        ]
    shift = pd.Timestamp(last) - pd.Timestamp("2015-02-10")
    with open(Occupancy().path) as file:
        for row in csv.DictReader(file):
            time = pd.Timestamp(row["time"]) + shift
            if time < pd.Timestamp(last):
                rows.append(("Office", f"{time.isoformat()}-05:00", float(row["V2"]), float(row["V1"])))
    return rows


TABLES = {
    "site.csv": "name,time_zone\nOpen Air School,America/New_York\n",
    "rooms.csv": "room,building\nHeated,Main\nCalm,Annex\nOffice,Main\n",
    "instruments.csv": (
        "instrument,kind,year_built,in_service_since,room,use_class\n"
        "C-1,grand,2005,2006-01-10,Heated,concert\n"
        "T-heated,upright,1995,1996-09-01,Heated,teaching\n"
        "T-calm,upright,1995,1996-09-01,Calm,teaching\n"
        "T-new,upright,{year},{year}-02-01,Calm,teaching\n"
        "P-office,upright,1980,1981-09-01,Office,practice\n"
    ),
    "people.csv": "name,email,role,hours_per_week\nIda Quell,ida@example.org,technician,4\n",
    "held.csv": "instrument,kind,week\nP-office,tuning,2026-W52\n",
}


def write_folder(folder: Path, today: date, tuned: date) -> Path:
    for name, text in TABLES.items():
        (folder / name).write_text(text.format(year=today.year))
    services = [f"{tag},tuning,{tuned}" for tag in ("C-1", "T-heated", "T-calm", "T-new", "P-office")]
    services += [f"C-1,{kind},{tuned - timedelta(days=60)}" for kind in ("bedding", "regulation", "voicing")]
    (folder / "services.csv").write_text("instrument,kind,date\n" + "\n".join(services) + "\n")
    with (folder / "readings.csv").open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("room", "time", "relative_humidity_percent", "temperature_c"))
        writer.writerows(readings_of(today - timedelta(days=1)))
    return folder


def run(*words, today=TODAY):
    out = io.StringIO()
    call_command(*words, "--format", "json", "--today", today.isoformat(), stdout=out, stderr=io.StringIO())
    return json.loads(out.getvalue())


def test_the_heated_outdoor_year_is_as_dry_as_a_psychrometric_library_has_it(tmp_path):
    """PsychroLib at constant humidity ratio: January 18.2 %, October 47.2 %, July 77.4 % before the cap."""
    year = outdoor_year(date(2026, 11, 24))
    monthly = year.groupby(year["time"].dt.month)["rh"].mean()
    assert monthly[1] == pytest.approx(0.182, abs=0.01)
    assert monthly[10] == pytest.approx(0.472, abs=0.04)  # the cap takes a little off damp October days
    assert 0.5 < monthly[7] <= DAMPEST


def test_from_folder_to_letter(tmp_path):
    folder = write_folder(tmp_path, TODAY, TODAY - timedelta(days=20))
    assert run("import_folder", str(folder))["files"]["readings.csv"]["new"] > 2 * 8760
    office = ClimateDay.objects.filter(room__name="Office")
    assert (
        0.16
        < min(office.values_list("rh_mean", flat=True))
        < max(office.values_list("rh_mean", flat=True))
        < 0.40
    )

    forecasts = {(f["instrument"], f["service"]): f for f in run("forecast")["forecasts"]}
    assert len(forecasts) == 4 + 4 * 3
    swing, calm, new = (forecasts[tag, "tuning"]["due"]["p50"] for tag in ("T-heated", "T-calm", "T-new"))
    assert swing < calm, "bigger swings of humidity mean an earlier date"
    assert new < calm, "a new instrument is due before a settled one"

    plan = run("plan_season", "--start", "2026-W49", "--weeks", "12", "--time-limit", "20")
    assert max(plan["hours_used"]) <= 4
    assert plan["bound"] <= plan["cost"] + 1e-9
    held = [(v["instrument"], v["service"], v["week"]) for v in plan["visits"] if v["held"]]
    assert held == [("P-office", "tuning", "2026-W52")]
    assert {visit["technician"] for visit in plan["visits"]} == {"Ida Quell"}

    (letter,) = run("due_work", "2026-W49")["letters"]
    wanted = sorted((v["instrument"], v["service"]) for v in plan["visits"] if v["week"] == "2026-W49")
    assert letter["to"] == "ida@example.org"
    assert letter["state"] == "due"
    assert wanted
    text = json.dumps(letter["items"])
    assert all(instrument in text and service in text for instrument, service in wanted)


def test_a_tuning_just_before_heating_starts_is_worth_less_than_one_after_it(tmp_path):
    """At the same hours the later one is chosen: what is tuned in damp air is out when the air dries."""
    today = date(2026, 9, 1)
    folder = write_folder(tmp_path, today, today - timedelta(days=20))
    (folder / "held.csv").unlink()
    run("import_folder", str(folder), today=today)
    start, weeks = date(2026, 8, 31), 16
    setup = planning.set_up(Site.objects.get(), planning.Wanted(start, weeks, 4.0), today)
    job = next(j for j in setup.problem.jobs if (j.instrument, j.service) == ("T-heated", "tuning"))
    once = np.array([job.cost[0, week] + job.cost[week, weeks + 1] for week in range(1, weeks + 1)])

    year = outdoor_year(today - timedelta(days=1))
    weekly = year.set_index("time")["rh"].rolling("7D").mean()
    dry = weekly[(weekly < 0.45) & (weekly.index > datetime(2025, 9, 15))].index[0]
    heating = (dry + pd.DateOffset(years=1)).date()
    before, after = (heating - start).days // 7, (heating - start).days // 7 + 4
    assert 1 <= before < after <= weeks
    assert once[after - 1] < once[before - 1]
    assert start + timedelta(weeks=int(once.argmin())) >= heating - timedelta(days=7)


def test_repeating_the_whole_way_changes_nothing(tmp_path):
    folder = write_folder(tmp_path, TODAY, TODAY - timedelta(days=20))
    run("import_folder", str(folder))
    first = run("forecast")
    counts = run("import_folder", str(folder))["files"]
    assert all(count["new"] == count["changed"] == 0 for count in counts.values())
    assert run("forecast") == first
    assert Forecast.objects.count() == 16
