"""What a due-work letter says and to whom; expected words and sums are written out by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import RequestState
from fleet.record_links import read_link, record_path
from scheduling import letters
from scheduling.due_work import beside, hours_in_words, silent_rooms
from scheduling.models import Letter, PlannedVisit, SeasonPlan
from tests import factories
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)


def compose(site):
    return letters.compose(site, MONDAY, TODAY)


def draft_to(school, number=0):
    """Return a draft with its text on one line, wherever it was broken to fit."""
    draft = next(draft for draft in compose(school.site) if draft.person == school.people[number])
    return replace(draft, text=" ".join(draft.text.split()))


def test_no_line_of_the_text_is_wider_than_a_narrow_window_and_indents_are_kept(school):
    PlannedVisit.objects.update(reason="dryness " * 40)
    lines = compose(school.site)[0].text.splitlines()
    # An address would no longer lead anywhere if it were broken.
    assert max(len(line) for line in lines if "://" not in line) <= 76
    assert sum(line.startswith("    dryness dryness") for line in lines) >= 4


def test_each_technician_gets_the_own_visits_and_nobody_elses(school):
    drafts = {draft.person.name: draft for draft in compose(school.site)}
    assert set(drafts) == {"Ilse Brandgruber", "Otto Wendling"}
    assert [item["instrument"] for item in drafts["Ilse Brandgruber"].items] == ["U-12"]
    assert "U-13" not in drafts["Ilse Brandgruber"].text


def test_the_subject_counts_visits_and_hours(school):
    factories.make_visit(
        school.plan, school.instruments[0], kind="voicing", hours=3, technician=school.people[0]
    )
    assert draft_to(school).subject == "Work for the week of 30 November: 2 visits, 4.5 hours"
    assert draft_to(school, 1).subject == "Work for the week of 30 November: 1 visit, 1.5 hours"


@pytest.mark.parametrize("hours, words", [(1.0, "1 hour"), (0.75, "0.75 hours"), (9.5, "9.5 hours")])
def test_hours_are_written_with_their_unit(hours, words):
    assert hours_in_words(hours) == words


def test_text_and_html_both_say_everything_of_a_visit(school):
    factories.make_forecast(
        school.instruments[0],
        due_early=date(2026, 12, 3),
        due_middle=date(2026, 12, 12),
        due_late=date(2027, 1, 8),
    )
    draft = draft_to(school)
    for words in (
        "U-12",
        "upright, built 1998, teaching",
        "Room 12",
        "tuning",
        "1.5 hours",
        "predicted out by 12 December",
        "In tolerance, expected out by 12 December 2026 (early 3 December 2026, late 8 January 2027)",
        "2026-W49",
        "Monday 30 November",
    ):
        assert words in draft.text
        assert words in draft.html
    assert draft.items[0]["due"] == {"p10": "2026-12-03", "p50": "2026-12-12", "p90": "2027-01-08"}


def test_an_instrument_that_is_out_already_is_said_to_be_out(school):
    factories.make_forecast(school.instruments[0], state="out", out_now=0.87)
    assert "Out of tolerance (probability 87 % today)" in draft_to(school).text


def test_work_on_one_instrument_stands_in_the_order_it_is_done(school):
    grand = factories.make_instrument(school.room, "G-01", kind="grand")
    for kind in ("voicing", "tuning", "regulation", "bedding"):
        factories.make_visit(school.plan, grand, kind=kind, technician=school.people[0])
    work = [item["service"] for item in draft_to(school).items if item["instrument"] == "G-01"]
    assert work == ["bedding", "regulation", "tuning", "voicing"]


def test_rooms_are_named_once_with_all_their_instruments(school):
    third = factories.make_instrument(school.room, "U-14")
    factories.make_visit(school.plan, third, technician=school.people[0])
    text = draft_to(school).text
    assert text.count("== Room 12") == 1
    assert text.index("U-12") < text.index("U-14")


def test_a_request_is_listed_note_by_note_with_the_keys_beside_it(school):
    factories.make_request(school.instruments[0], ("D#3", "C8"), symptom="buzzes", words="loud\nplaying")
    draft = draft_to(school)
    for body in (draft.text, draft.html):
        assert "look at the neighbours first: D3 and E3" in body
        assert "look at the neighbours first: B7" in body
        assert "buzzes" in body
        assert "loud playing" in body
    assert draft.items[0]["requests"][0]["notes"] == ["D#3", "C8"]


def test_a_letter_says_where_each_key_lies_and_leaves_out_neighbours_that_are_no_news(school):
    harpsichord = factories.make_instrument(school.room, "H-1", "harpsichord")
    factories.make_request(harpsichord, ("F1", "D#3", "E3"), symptom="does not speak")
    text = " ".join(draft_to(school).text.split())
    assert "F1 (the lowest key, at the left end), look at the neighbours first: F#1 " in text
    assert (
        "D#3 (the short key right of D, in the octave below middle C), look at the neighbours first: D3 "
        in text
    )
    assert "E3 (the long key right of the two short keys, in the octave below middle C), look at" in text


@pytest.mark.parametrize(
    "note, keys",
    [("C4", ["B3", "C#4"]), ("A0", ["A#0"]), ("C8", ["B7"]), ("E4", ["D#4", "F4"]), ("H2", [])],
)
def test_the_keys_beside_a_note_are_a_semitone_away_and_on_the_keyboard(note, keys):
    assert beside(note) == keys


def test_requests_on_unvisited_instruments_go_to_every_technician_and_closed_ones_to_nobody(school):
    other = factories.make_instrument(school.room, "U-99")
    factories.make_request(other, ("F6",), symptom="sticks")
    factories.make_request(other, ("F5",), symptom="rattles", state=RequestState.DONE)
    for draft in compose(school.site):
        assert "U-99" in draft.text
        assert "sticks" in draft.text
        assert "rattles" not in draft.text


def test_what_a_player_wrote_cannot_become_markup(school):
    factories.make_request(school.instruments[0], words="<script>alert(1)</script>")
    draft = draft_to(school)
    assert "<script>" not in draft.html
    assert "<script>alert(1)</script>" in draft.text


def test_a_technician_without_work_gets_a_short_letter_where_there_is_something_to_look_at(school):
    PlannedVisit.objects.filter(technician=school.people[1]).delete()
    assert [draft.person for draft in compose(school.site)] == [school.people[0]]
    factories.make_request(factories.make_instrument(school.room, "U-99"))
    assert draft_to(school, 1).subject == "No visits in the week of 30 November: 1 open request"
    assert draft_to(school, 1).items == []


def test_the_letter_says_whether_its_plan_is_approved(school):
    assert "draft season plan made on 27 November" in draft_to(school).text
    SeasonPlan.objects.update(state="approved", approved_at=datetime(2026, 11, 28, 23, 30, tzinfo=UTC))
    # 23:30 UTC is the next day in Vienna
    assert "season plan approved on 29 November" in draft_to(school).text


def test_without_a_plan_the_letter_says_so(school):
    factories.make_request(school.instruments[0])
    SeasonPlan.objects.all().delete()
    assert "No season plan covers this week." in draft_to(school).text


def test_visits_that_name_nobody_are_told_to_every_technician(school):
    factories.make_visit(school.plan, factories.make_instrument(school.room, "U-50"), technician=None)
    for draft in compose(school.site):
        assert "VISITS THAT NAME NOBODY YET" in draft.text
        assert "U-50" in draft.text
        assert "U-50" not in [item["instrument"] for item in draft.items]


def test_only_technicians_with_an_address_get_the_letter(school):
    factories.make_request(factories.make_instrument(school.room, "U-99"))
    factories.make_person(school.site, role="administrator")
    factories.make_person(school.site, email="")
    assert {draft.person.name for draft in compose(school.site)} == {"Ilse Brandgruber", "Otto Wendling"}


def test_who_is_away_all_week_without_visits_gets_no_letter(school):
    factories.make_request(factories.make_instrument(school.room, "U-99"))
    PlannedVisit.objects.filter(technician=school.people[1]).delete()
    factories.make_absence(school.people[1], MONDAY, MONDAY + timedelta(days=2))
    assert len(compose(school.site)) == 2
    factories.make_absence(school.people[1], MONDAY + timedelta(days=3), MONDAY + timedelta(days=6))
    assert [draft.person for draft in compose(school.site)] == [school.people[0]]


def test_a_room_is_silent_from_the_third_day_without_a_trusted_reading(school):
    factories.make_climate(school.room, TODAY - timedelta(days=32), 31)  # the last one two days ago
    assert silent_rooms(school.site, TODAY) == []
    (silence,) = silent_rooms(school.site, TODAY + timedelta(days=1))
    assert (silence.room, silence.trusted_until) == (school.room, TODAY - timedelta(days=2))
    assert not silence.doubtful_since


def test_a_sensor_that_reports_nonsense_is_told_from_one_that_is_silent(school):
    factories.make_climate(school.room, TODAY - timedelta(days=30), 20)
    factories.make_climate(school.room, TODAY - timedelta(days=10), 10, hours_covered=0)
    assert silent_rooms(school.site, TODAY)[0].doubtful_since
    assert "its sensor still reports" in draft_to(school).text


def test_rooms_that_never_had_a_reading_or_whose_sensor_was_taken_away_are_not_silent(school):
    assert silent_rooms(school.site, TODAY) == []
    factories.make_climate(school.room, TODAY - timedelta(days=30), 20)
    school.room.sensors.create(
        site=school.site, name="s1", first_day=date(2025, 1, 1), last_day=TODAY - timedelta(days=11)
    )
    assert silent_rooms(school.site, TODAY) == []


def test_concerts_stand_at_the_time_on_the_sites_wall(school):
    factories.make_booking(
        school.room, datetime(2026, 12, 3, 18, 30, tzinfo=UTC), performance=True, title="Songs"
    )
    factories.make_booking(school.room, datetime(2026, 12, 4, 8, tzinfo=UTC), title="Lesson")
    draft = draft_to(school)
    for body in (draft.text, draft.html):
        assert "Thursday 3 December, 19:30, Room 12: Songs" in body
        assert "Lesson" not in body


def test_the_costliest_that_was_put_off_is_told_first_and_only_a_few(school):
    for number in range(8):
        factories.make_put_off(
            school.plan, factories.make_instrument(school.room, f"P-{number}"), cost=float(number)
        )
    text = draft_to(school).text
    assert [f"P-{n}" in text for n in range(8)] == [False] * 3 + [True] * 5
    assert text.index("P-7") < text.index("P-3")


def test_cautions_follow_the_work(school):
    assert "Hardeners" not in draft_to(school).text
    factories.make_visit(school.plan, school.instruments[0], kind="voicing", technician=school.people[0])
    assert "Hardeners" in draft_to(school).text


def test_another_sites_facts_never_get_into_a_letter(school):
    other = factories.make_site("Elsewhere")
    room = factories.make_room(other, "Far Room")
    instrument = factories.make_instrument(room, "X-1")
    factories.make_climate(room, TODAY - timedelta(days=30), 20)
    factories.make_request(instrument)
    factories.make_visit(factories.make_plan(other), instrument, technician=school.people[0])
    text = draft_to(school).text
    assert "X-1" not in text
    assert "Far Room" not in text


def test_composing_needs_as_many_queries_for_thirty_instruments_as_for_two(school):
    def queries():
        with CaptureQueriesContext(connection) as captured:
            compose(school.site)
        return len(captured)

    factories.make_request(school.instruments[0])
    few = queries()
    for number in range(28):
        instrument = factories.make_instrument(factories.make_room(school.site), f"M-{number}")
        factories.make_visit(school.plan, instrument, technician=school.people[number % 2])
        factories.make_request(instrument)
        factories.make_put_off(school.plan, instrument)
    assert queries() == few


def test_the_message_id_is_known_before_there_is_a_row_and_differs_by_person_and_week(school):
    drafts = compose(school.site)
    later = letters.compose(school.site, MONDAY + timedelta(weeks=1), TODAY)
    rows = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)
    assert [draft.message_id for draft in drafts] == [row.message_id for row in rows]
    assert len({draft.message_id for draft in (*drafts, *later)}) == len(drafts) + len(later)
    assert drafts[0].message_id.endswith("@halvermoor.example>")


def test_a_letter_is_frozen_once_it_has_a_row(school):
    before = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)
    PlannedVisit.objects.update(hours=5, reason="something else")
    after = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW + timedelta(days=1))
    assert [(row.pk, row.subject, row.text, row.html, row.items) for row in before] == [
        (row.pk, row.subject, row.text, row.html, row.items) for row in after
    ]


def test_two_composers_at_once_make_one_row(school, monkeypatch):
    letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)
    seen = []
    true_stored = letters.stored

    def stored(*args):
        # The second one looked before the first one wrote.
        seen.append(args)
        return [] if len(seen) == 1 else true_stored(*args)

    monkeypatch.setattr(letters, "stored", stored)
    assert len(letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)) == 2
    assert len(seen) == 2
    assert Letter.objects.count() == 2


def test_the_letter_for_who_got_work_later_is_still_made(school):
    moved = PlannedVisit.objects.filter(technician=school.people[1])
    moved.update(technician=school.people[0])
    assert len(letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)) == 1
    PlannedVisit.objects.filter(instrument__tag="U-13").update(technician=school.people[1])
    rows = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW + timedelta(hours=1))
    assert {row.person for row in rows} == set(school.people)


def test_each_visit_has_a_link_that_records_it_and_no_other(school, settings):
    settings.SITE_ADDRESS = "https://almanac.example/"
    draft, visit = compose(school.site)[0], school.visits[0]
    path = record_path(draft.person.pk, visit.instrument_id, visit.kind, visit.week)
    assert f"\nhttps://almanac.example{path}\n" in draft.text
    assert f'href="https://almanac.example{path}"' in draft.html
    link = read_link(path.split("/")[2])
    assert (link.person, link.instrument, link.kind) == (draft.person, visit.instrument, "tuning")
    assert compose(school.site)[0].text == draft.text
