"""The list of instruments taken along: what is listed, in its order, with every service, and no formula."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, timedelta

import openpyxl
import pytest

from reports.tables import Sheet, as_csv, as_workbook
from tests import factories as make
from tests.factories import TODAY


@pytest.fixture
def school(db):
    site = make.make_site()
    old, new = make.make_room(site, "Cellar", "Old House"), make.make_room(site, "Studio", "New Hall")
    grand = make.make_instrument(
        old, "G-1", "grand", use_class="concert", maker="=1+1", model="-x", year_built=1961
    )
    upright = make.make_instrument(new, "U-2", "upright", use_class="practice", year_built=1990)
    make.make_instrument(new, "H-3", "harpsichord", year_built=2012)
    make.make_instrument(new, "R-4", retired_on=TODAY)
    make.make_instrument(make.make_room(make.make_site()), "X-9")
    run = make.make_run(site)
    make.make_forecast(grand, "tuning", run, out_now=0.12345, due_late=None)
    make.make_forecast(upright, "tuning", run, due_middle=TODAY, state="out", out_now=0.9)
    for days in (30, 90):
        make.make_service(grand, TODAY - timedelta(days=days), "tuning")
    make.make_service(grand, TODAY - timedelta(days=60), "voicing")
    return site


@pytest.fixture
def take(client, school):
    client.force_login(make.make_user(school))

    def taking(form: str, query: str = "") -> bytes:
        answer = client.get(f"/instruments/as/{form}/?{query}")
        assert answer.status_code == 200
        assert f'filename="instruments-2026-11-25.{form}"' in answer["Content-Disposition"]
        return answer.content

    return taking


def lines(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_an_instrument_is_told_with_how_it_stands_in_every_service(take):
    [one] = lines(take("csv", "text=G-1"))
    assert [one[name] for name in ("tag", "kind", "maker", "model", "year_built", "use")] == [
        *("G-1", "grand", "'=1+1", "'-x", "1961", "concert")
    ]
    assert (one["room"], one["building"]) == ("Cellar", "Old House")
    assert (one["tuning_state"], one["tuning_out_now"]) == ("in tolerance", "0.123")
    # Ten and thirty days after 25 November 2026, as the factory sets them; the late day lies beyond it.
    due = [one[f"tuning_due_{name}"] for name in ("early", "middle", "late")]
    assert due == ["2026-12-05", "2026-12-25", ""]
    assert one["tuning_last_done"] == "2026-10-26"
    assert (one["voicing_state"], one["voicing_last_done"]) == ("", "2026-09-26")


@pytest.mark.parametrize(
    ("query", "listed"),
    [
        ("", ["U-2", "G-1", "H-3"]),
        ("order=age&page=7", ["G-1", "U-2", "H-3"]),
        ("building=New+Hall", ["U-2", "H-3"]),
        ("service=tuning&state=out", ["U-2"]),
        ("text=nothing", []),
    ],
)
def test_the_file_holds_what_the_list_shows_in_its_order(take, query, listed):
    assert [one["tag"] for one in lines(take("csv", query))] == listed


def test_the_file_holds_all_leaves_of_the_list_and_the_list_leads_to_it(take, client, school):
    room = school.rooms.first()
    for number in range(90):
        make.make_instrument(room, f"Z-{number:02d}")
    assert len(lines(take("csv", "kind=upright"))) == 91
    text = client.get("/instruments/?kind=upright&page=2").content.decode()
    assert 'href="/instruments/as/csv/?kind=upright"' in text
    assert 'href="/instruments/as/xlsx/?kind=upright"' in text


def test_the_workbook_says_the_same_with_days_and_numbers_as_such(take):
    [sheet] = openpyxl.load_workbook(io.BytesIO(take("xlsx", "order=tag"))).worksheets
    head, first, *_rest = sheet.iter_rows(values_only=True)
    one = dict(zip(head, first, strict=True))
    assert (one["tag"], one["maker"], one["year_built"]) == ("G-1", "'=1+1", 1961)
    assert one["tuning_due_early"] == datetime(2026, 12, 5)
    assert one["tuning_out_now"] == 0.123
    in_csv = lines(take("csv", "order=tag"))
    assert list(in_csv[0]) == list(head)
    assert [row[0] for row in sheet.iter_rows(min_row=2, values_only=True)] == [r["tag"] for r in in_csv]


def test_an_unknown_form_is_not_found(client, school):
    client.force_login(make.make_user(school))
    assert client.get("/instruments/as/docx/").status_code == 404


@pytest.mark.parametrize("text", ["=1+1", "+41", "-x", "@sum", "\tx", "\r=1", "\n=1"])
def test_no_text_is_taken_for_a_formula_and_numbers_stay_numbers(text):
    table = Sheet("instruments", [["tag", text], [text, -3], ["day", date(2026, 11, 25)]])
    [[_tag, head], [cell, number], _day] = csv.reader(
        io.StringIO(as_csv(table.lines).decode("utf-8-sig"), newline="")
    )
    assert (head, cell, number) == (f"'{text}", f"'{text}", "-3")
    [sheet] = openpyxl.load_workbook(io.BytesIO(as_workbook([table]))).worksheets
    assert [[cell.data_type for cell in row] for row in sheet] == [["s", "s"], ["s", "n"], ["s", "d"]]


def test_what_a_workbook_has_no_way_of_writing_does_not_keep_it_from_being_made():
    table = Sheet("instruments", [["maker"], ["Hallorn\x0b & Vest"]])
    [sheet] = openpyxl.load_workbook(io.BytesIO(as_workbook([table]))).worksheets
    assert sheet["A2"].value == "Hallorn\N{REPLACEMENT CHARACTER} & Vest"
