"""A worksheet as a form: typed in, read back, corrected, and summed up into its record."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
import time_machine

from fleet import records
from fleet.models import Role, Service, WorksheetLine
from fleet.records import Point
from fleet.worksheets.sheet import Sheet
from tests import factories as make

TODAY = date(2026, 11, 25)
FORM = {"day": "2026-11-25", "token": "one form", "passes": "1", "spares": "3"}
GAPS = {"p1-glide-1-at-rest-gap-before": "0,08", "p1-glide-1-at-rest-gap-after": "0"}


@pytest.fixture(autouse=True)
def on_the_day():
    with time_machine.travel(datetime(2026, 11, 25, 8, tzinfo=UTC)):
        yield


@pytest.fixture
def grand(db):
    room = make.make_room(make.make_site("Quiet School"), "Hall")
    return make.make_instrument(room, "G-1", "grand", glides=4)


@pytest.fixture
def signed_in(client, grand):
    client.force_login(make.make_user(grand.site))
    return client


def fill(client, grand, kind, **said):
    return client.post(f"/record/{grand.pk}/{kind}/sheet/", {**FORM, **said})


def told(sheet):
    return {
        (one.point, one.condition, one.quantity, one.pass_number): (one.before, one.after)
        for one in sheet.points
    }


def test_a_bedding_sheet_becomes_points_and_a_record_at_the_worst_glide(signed_in, grand):
    said = {
        **GAPS,
        "p1-front-rail-glides-backed-off-gap-before": "0.04",
        "p1-glide-3-shifted-gap-before": "0.15",
        "p1-glide-3-forced-before": "1",
        "p1-glide-1-at-rest-knock-before": "1",
        "knocks-tried": "1",
        "p1-c4-dip-before": "10.1",
        "p1-c4-dip-after": "10,0",
        "minutes": "45",
    }
    assert fill(signed_in, grand, "bedding", **said).status_code == 302
    one = Service.objects.get()
    assert (one.found, one.left, one.minutes) == (-0.15, 0.0, 45)
    points = {p.told()[0] + "|" + p.told()[2]: (p.before, p.after) for p in records.stored_points(one)}
    assert points["front rail|gap"] == (0.04, None)
    assert points["glide 3|gap"] == (-0.15, None)
    assert points["glide 3|forced"] == (1.0, None)
    assert points["glide 1|forced"] == (0.0, 0.0)
    assert points["C4|dip"] == (10.1, 10.0)
    knocks = {number: points[f"glide {number}|knock"][0] for number in range(1, 5)}
    assert knocks == {1: 1.0, 2: 0.0, 3: 0.0, 4: 0.0}


def test_a_glide_that_nobody_tried_is_not_said_to_be_quiet(grand):
    assert not [one for one in Sheet("bedding", grand, GAPS).points if one.quantity == "knock"]


def test_another_pass_keeps_what_was_typed_and_stores_nothing(signed_in, grand):
    answer = fill(signed_in, grand, "bedding", **GAPS, note="kept", more="pass")
    text = answer.content.decode()
    assert 'name="p2-glide-4-under-pedal-load-gap-after"' in text
    assert 'name="passes" value="2"' in text
    assert 'value="0,08"' in text
    assert "kept" in text
    assert "Nothing is saved yet" not in text
    assert not Service.objects.exists()


def test_a_second_pass_is_kept_apart_from_the_first(signed_in, grand):
    again = {"passes": "2", "p2-glide-1-at-rest-gap-before": "0.03", "p2-glide-1-at-rest-gap-after": "0.01"}
    fill(signed_in, grand, "bedding", **GAPS, **again)
    one = Service.objects.get()
    assert (one.found, one.left) == (0.08, 0.01)
    assert sorted(WorksheetLine.objects.filter(quantity="gap").values_list("pass_number", "before")) == [
        (1, 0.08),
        (2, 0.03),
    ]


def test_a_tuning_sheet_becomes_mean_and_registers(signed_in, grand):
    said = {
        "p1-a1-offset-before": "-4",
        "p1-c2-offset-before": "\N{MINUS SIGN}6",
        "p1-a4-offset-before": "2",
        "p1-a4-offset-after": "0,5",
        "p1-note-1-offset-note": "f♯3",
        "p1-note-1-offset-before": "-2",
    }
    fill(signed_in, grand, "tuning", **said)
    one = Service.objects.get()
    # By hand: (-4 - 6 + 2 - 2) / 4 = -2.5; bass -5, tenor -2, middle 2.
    assert (one.found, one.left) == (-2.5, 0.5)
    assert (one.found_bass, one.found_tenor, one.found_middle, one.found_treble) == (-5.0, -2.0, 2.0, None)
    assert WorksheetLine.objects.filter(point="F#3", quantity="offset", before=-2.0).exists()


def test_the_targets_of_a_regulation_are_remembered_for_the_next_sheet(signed_in, grand):
    said = {"p1-target-dip-after": "9,8", "p1-c4-dip-before": "10.0", "p1-c4-dip-after": "9.8"}
    fill(signed_in, grand, "regulation", **said)
    one = Service.objects.get()
    assert (one.found, one.left) == (pytest.approx(0.2, abs=1e-6), 0.0)
    text = signed_in.get(f"/record/{grand.pk}/regulation/sheet/", follow=True).content.decode()
    assert 'name="p1-target-dip-after" value="9.8"' in text
    assert 'name="p1-target-let-off-after" value="1.5"' in text


def test_targets_alone_are_no_worksheet(grand):
    assert Sheet("regulation", grand, {"p1-target-dip-after": "10"}).points == []


def test_a_voicing_keeps_its_mark_and_its_hardener_dries(signed_in, grand):
    said = {
        "found": "4",
        "left": "1,5",
        "p1-note-1-too-weak-note": "D6",
        "p1-note-1-too-weak-before": "5",
        "p1-note-1-too-weak-after": "2",
        "p1-hardener-1-hardener-note": "D6",
        "p1-hardener-1-hardener-after": "1",
        "hardener_at": "2026-11-25T10:00",
        "dry_at": "2026-11-27T10:00",
    }
    fill(signed_in, grand, "voicing", **said)
    one = Service.objects.get()
    assert (one.found, one.left) == (4.0, 1.5)
    assert one.dry_at == datetime(2026, 11, 27, 9, tzinfo=UTC)  # Vienna in winter is an hour ahead of UTC
    assert sorted(WorksheetLine.objects.values_list("point", "quantity", "before", "after")) == [
        ("D6", "hardener", None, 1.0),
        ("D6", "too weak", 5.0, 2.0),
    ]
    text = signed_in.get(f"/record/{grand.pk}/voicing/", follow=True).content.decode()
    assert "A hardener is drying in this instrument until Friday 27 November, 10:00" in text


REFUSED = {
    "a word": ("bedding", {"p1-glide-1-at-rest-gap-before": "wide"}, "is not a number"),
    "too wide": ("bedding", {"p1-glide-1-at-rest-gap-before": "25"}, "25 mm cannot be: -20 to 20"),
    "a dip below nothing": ("regulation", {"p1-c4-dip-before": "-1"}, "cannot be: 0 to 300"),
    "no note": ("tuning", {"p1-note-1-offset-before": "3"}, "Which note is it?"),
    "a flat": ("tuning", {"p1-note-1-offset-before": "3", "p1-note-1-offset-note": "Eb4"}, "write D#4"),
    "a note twice": (
        "tuning",
        {"p1-a4-offset-before": "1", "p1-note-1-offset-before": "3", "p1-note-1-offset-note": "A4"},
        "A4 stands here already",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_is_said_at_its_field_and_nothing_is_stored(signed_in, grand, case):
    kind, said, words = REFUSED[case]
    text = fill(signed_in, grand, kind, **said, note="kept").content.decode()
    assert words in text
    assert "Nothing is saved yet" in text
    assert "kept" in text
    assert 'aria-invalid="true"' in text
    assert not Service.objects.exists()


STORED = [
    Point("glide 1", "at rest", "gap", "mm", 0.08, 0.0),
    Point("glide 1", "", "forced", "", 0.0, 0.0),
    Point("glide 2", "shifted", "gap", "mm", -0.1, 0.02),
    Point("glide 2", "", "forced", "", 1.0, 0.0),
    Point("glide 1", "at rest", "gap", "mm", 0.03, 0.01, 2),
    Point("glide 1", "", "forced", "", 0.0, 0.0, 2),
    Point("glide 9", "in the damp", "gap", "mm", 0.5, None),
    *(Point(f"glide {n}", "at rest", "knock", "", float(n == 2), None) for n in range(1, 5)),
]


def form_of(sheet):
    """Return what a browser would send of a sheet as it is shown."""
    said = {"passes": str(sheet.passes), "spares": str(sheet.spares)}
    if sheet.tried:
        said["knocks-tried"] = "1"
    for block in sheet.blocks:
        for line in block.lines:
            said |= {cell.name: cell.text for cell in (line.before, line.after) if cell.text}
    return said


def test_a_stored_sheet_is_shown_and_sent_back_the_same(grand):
    shown = Sheet("bedding", grand, None, STORED)
    sent = Sheet("bedding", grand, form_of(shown), STORED)
    again = {key: pair for key, pair in told(sent).items()}
    expected = {(p.point, p.condition, p.quantity, p.pass_number): (p.before, p.after) for p in STORED}
    # A knock that was looked for before is asked for after as well where the glide was measured again.
    expected["glide 1", "at rest", "knock", 1] = (0.0, 0.0)
    expected["glide 2", "at rest", "knock", 1] = (1.0, 0.0)
    assert again == expected


def test_a_record_with_a_sheet_is_corrected_in_its_sheet_and_untouched_ones_keep_their_values(
    signed_in, grand
):
    entry = records.Entry(TODAY, 40, 0.081, 0.0, points=[STORED[0], STORED[1]])
    service = records.record(grand, "bedding", entry, records.Author("Ida"), "a", datetime.now(UTC)).service
    path = f"/services/{service.pk}/correct/"
    sheet = signed_in.get(path).context["sheet"]
    seen = service.changes.get().pk
    signed_in.post(path, {**FORM, **form_of(sheet), "other_minutes": "50", "seen": seen})
    service.refresh_from_db()
    assert (service.minutes, service.found, service.left) == (50, 0.081, 0.0)
    changed = {**form_of(sheet), "p1-glide-1-at-rest-gap-before": "0.2"}
    signed_in.post(path, {**FORM, **changed, "other_minutes": "50"})
    service.refresh_from_db()
    assert service.found == 0.2
    text = signed_in.get(f"/services/{service.pk}/").content.decode()
    assert "(worksheet changed)" in text


def test_the_sum_is_told_while_the_sheet_is_filled_in_and_nothing_stored(signed_in, grand):
    said = {"p1-a1-offset-before": "-4", "p1-a4-offset-before": "2"}
    text = " ".join(signed_in.post(f"/record/{grand.pk}/tuning/sum/", said).content.decode().split())
    assert "Found <strong>−1.00</strong>" in text
    assert '<th scope="row">bass</th><td>−4.0</td>' in text
    assert not Service.objects.exists()


@pytest.mark.parametrize("kind", ["bedding", "tuning", "regulation", "voicing"])
def test_an_empty_sheet_is_there_to_be_printed_and_to_be_filled_in(signed_in, grand, kind):
    for path in (f"/record/{grand.pk}/{kind}/paper/", f"/record/{grand.pk}/{kind}/sheet/"):
        answer = signed_in.get(path, follow=True)
        assert answer.status_code == 200
        assert "Local codes" in answer.content.decode() or "With care" in answer.content.decode()


def test_doors(client, grand):
    paths = {"sum": f"/record/{grand.pk}/tuning/sum/", "paper": f"/record/{grand.pk}/tuning/paper/"}
    dip = f"/instruments/{grand.pk}/dip/"
    client.force_login(make.make_user(make.make_site("Another School")))
    assert client.post(paths["sum"]).status_code == 404
    assert client.get(paths["paper"]).status_code == client.get(dip).status_code == 404
    client.force_login(make.make_user(grand.site, Role.READER))
    assert client.get(paths["paper"]).status_code == client.get(dip).status_code == 200
    assert client.get(f"/record/{grand.pk}/tuning/sheet/").status_code == 403
    assert client.get(f"/record/{grand.pk}/cleaning/paper/").status_code == 404
    client.logout()
    assert client.get(dip).status_code == 302


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        # By hand: 0.1 * (220 + 110) / 110 = 0.30, and back 0.3 / 3 = 0.1.
        ("change=0,1&way=up&at=rail&front=220&back=110", "0.30 mm deeper"),
        ("change=0.1&way=down&at=rail&front=220&back=110", "0.30 mm shallower"),
        ("change=0.3&way=down&at=front&front=220&back=110", "Lower the balance rail by 0.100 mm"),
        ("change=0&way=up&at=rail&front=220&back=110", "Nothing changes"),
        ("change=0.1&way=up&at=rail&front=220&back=0", "longer than 0 mm"),
        ("change=&way=up&at=rail&front=220&back=110", "How many mm?"),
        ("change=25&way=up&at=rail&front=220&back=110", "More than 20 mm"),
    ],
)
def test_the_dip_calculator_says_which_way_and_how_far(signed_in, grand, asked, words):
    text = " ".join(signed_in.get(f"/instruments/{grand.pk}/dip/?{asked}").content.decode().split())
    assert words in text
    assert "Usual lengths: nobody has measured this instrument" in text


def test_the_answer_alone_is_sent_where_only_that_is_asked(signed_in, grand):
    asked = {"change": "0,1", "way": "up", "at": "rail", "front": "220", "back": "110"}
    answer = signed_in.get(f"/instruments/{grand.pk}/dip/", asked, headers={"HX-Request": "true"})
    text = answer.content.decode()
    assert "0.30 mm deeper" in text
    assert "<html" not in text
