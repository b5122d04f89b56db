"""Commands from a shell: exit codes, one document on stdout, messages on stderr, the site and the clock."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from django.core.management import CommandError, call_command, execute_from_command_line

from fleet.commands import AlmanacCommand, as_json, choose_site
from fleet.models import Site
from fleet.refusal import AllRefused, Refused
from fleet.sites import create_site
from tests.fleet.folders import FILES, row_counts, write_folder

pytestmark = pytest.mark.django_db
ON_THAT_DAY = ("--today", "2026-11-25")


@pytest.fixture(autouse=True)
def _connection_of_the_test(monkeypatch):
    # A command that ends closes its connection, which would end the test's transaction.
    monkeypatch.setattr("django.core.management.base.connections.close_all", lambda: None)


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    """Return exit code, stdout and stderr of a command."""
    code = 0
    try:
        execute_from_command_line(["manage.py", *map(str, arguments)])
    except SystemExit as stopped:
        code = int(stopped.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def test_a_folder_is_imported_with_one_document_on_stdout_and_progress_on_stderr(capsys, tmp_path):
    code, out, err = run(capsys, "import_folder", write_folder(tmp_path), "--format", "json", *ON_THAT_DAY)
    assert code == 0
    document = json.loads(out)
    assert document["site"] == "Haus Lindwald"
    assert document["files"]["services.csv"] == {"new": 4, "changed": 0, "same": 0}
    assert "readings.csv: 3 lines read" in err


def test_a_dry_run_is_told_in_words_and_stores_nothing(capsys, tmp_path):
    code, out, _ = run(capsys, "import_folder", write_folder(tmp_path), "--dry-run", *ON_THAT_DAY)
    assert code == 0
    assert "Haus Lindwald: would be taken" in out
    assert "tuning, concert: tolerance '2' to '1.5'" in out
    assert not any(row_counts().values())


def test_a_refused_folder_exits_1_with_its_reasons_on_stderr_and_nothing_on_stdout(capsys, tmp_path):
    rooms = FILES["rooms.csv"] + "Saal,,\nA1,,\n"
    folder = write_folder(tmp_path, rooms_csv=rooms)
    code, out, err = run(capsys, "import_folder", folder, "--format", "json", *ON_THAT_DAY)
    assert (code, out) == (1, "")
    assert (
        "rooms.csv, line 4, column room: the same room as in line 2, found 'Saal'; accepted: each once" in err
    )
    assert "rooms.csv, line 5, column room: the same room as in line 3" in err
    assert not any(row_counts().values())


@pytest.mark.parametrize(
    "arguments",
    [
        ("import_folder",),
        ("import_folder", "no such folder"),
        ("import_folder", ".", "--format", "xml"),
        ("import_folder", ".", "--today", "25.11.2026"),
        ("import_folder", ".", "--unknown"),
        ("export_folder",),
        ("export_folder", "pyproject.toml"),
    ],
)
def test_wrong_usage_exits_2(capsys, arguments):
    create_site("Haus Lindwald", "Europe/Vienna")
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert err


def test_today_decides_what_lies_in_the_future(capsys, tmp_path):
    folder = write_folder(tmp_path)
    assert run(capsys, "import_folder", folder, "--today", "2026-09-30")[0] == 1
    assert run(capsys, "import_folder", folder, "--today", "2026-10-01")[0] == 0


def test_export_writes_what_import_reads_as_the_same(capsys, tmp_path):
    run(capsys, "import_folder", write_folder(tmp_path / "in"), *ON_THAT_DAY)
    code, out, _ = run(capsys, "export_folder", tmp_path / "out", "--format", "json")
    assert code == 0
    assert json.loads(out)["files"]["readings.csv"] == 3
    _, out, _ = run(
        capsys, "import_folder", tmp_path / "out", "--format", "json", "--site", "Haus Lindwald", *ON_THAT_DAY
    )
    files = json.loads(out)["files"].values()
    assert all(counts["new"] == counts["changed"] == 0 for counts in files)


def test_another_site_than_the_folder_names_is_refused(capsys, tmp_path):
    code, _, err = run(
        capsys, "import_folder", write_folder(tmp_path), "--site", "Haus Rothenau", *ON_THAT_DAY
    )
    assert code == 1
    assert "site.csv, line 2, column name: not the site that --site names" in err


def test_the_site_is_the_only_one_or_the_one_that_is_named(capsys, tmp_path):
    with pytest.raises(Refused, match="no site yet"):
        choose_site(None)
    site = create_site("Haus Lindwald", "Europe/Vienna")
    assert choose_site(None) == site
    other = create_site("Haus Rothenau", "UTC")
    assert choose_site("Haus Rothenau") == other
    with pytest.raises(Refused, match="--site is needed; accepted: Haus Lindwald, Haus Rothenau"):
        choose_site(None)
    with pytest.raises(Refused, match="no such site, found 'Haus X'"):
        choose_site("Haus X")
    assert run(capsys, "export_folder", tmp_path / "out")[0] == 1


class Clock(AlmanacCommand):
    def run(self, options):
        return {"site": self.site.name, "today": self.today, "now": self.now}, ["a", "b"]


def test_the_clock_is_that_of_the_site_and_stands_at_noon_where_a_day_is_given(capsys):
    create_site("Haus Lindwald", "Pacific/Auckland")
    call_command(Clock(), format="json", today="2026-11-25")
    told = json.loads(capsys.readouterr().out)
    assert told == {"site": "Haus Lindwald", "today": "2026-11-25", "now": "2026-11-25T12:00:00+13:00"}
    command = Clock()
    call_command(command)
    assert capsys.readouterr().out == "a\nb\n"
    assert command.today == command.now.astimezone(ZoneInfo("Pacific/Auckland")).date()


def test_a_refusal_becomes_an_error_with_exit_code_1_for_whoever_calls_the_command():
    class Refusing(AlmanacCommand):
        needs_site = False

        def run(self, options):
            raise Refused("no", file="a.csv", line=3)

    with pytest.raises(CommandError, match="a.csv, line 3: no") as caught:
        call_command(Refusing())
    assert caught.value.returncode == 1


def test_documents_have_iso_dates_offsets_and_plain_numbers():
    document = {
        "day": date(2026, 11, 25),
        "time": datetime(2026, 11, 25, 8, tzinfo=UTC),
        "cost": Decimal("48.50"),
        "hours": np.array([1.5, 2.0]),
        "count": np.int64(3),
        "name": "Straße",
    }
    assert json.loads(as_json(document)) == {
        "day": "2026-11-25",
        "time": "2026-11-25T08:00:00+00:00",
        "cost": 48.5,
        "hours": [1.5, 2.0],
        "count": 3,
        "name": "Straße",
    }


@pytest.mark.parametrize(
    ("value", "error"),
    [(float("nan"), ValueError), (datetime(2026, 11, 25), TypeError), (object(), TypeError)],
)
def test_what_json_does_not_know_is_an_error_and_never_written(value, error):
    with pytest.raises(error):
        as_json({"value": value})


def test_a_refusal_says_place_value_and_what_is_accepted():
    reason = Refused("too high", file="a.csv", line=7, column="rh", value="x" * 200, accepted="0 to 100")
    assert str(reason) == f"a.csv, line 7, column rh: too high, found '{'x' * 79}…'; accepted: 0 to 100"
    assert str(Refused("plain")) == "plain"
    both = AllRefused([reason, Refused("plain")], more=True)
    assert str(both).splitlines()[1:] == ["plain", "and more: only the first 2 are listed"]
    assert both.parts[0] is reason
    assert not Site.objects.exists()


def test_the_help_of_an_import_lists_every_file_with_its_columns(capsys):
    # Names as the agreed form of the folder has them.
    code, out, _ = run(capsys, "import_folder", "--help")
    assert code == 0
    assert (
        "services.csv: instrument, kind, date, [minutes], [technician], [found], [left], [found_bass]" in out
    )
    assert "terms.csv (optional): name, from, to, weight_factor, playing_factor" in out
    assert "readings*.csv: room, time, relative_humidity_percent" in out
