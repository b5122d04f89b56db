"""A sentence is stored with what it was made of and read in the language of whoever asks."""

from __future__ import annotations

import copy
import json
import pickle
from datetime import date, datetime

import pytest
from django.utils import translation

from scheduling.engine.said import Figure, On, Term, joined, worded, worded_many
from scheduling.models import PlannedVisit, SeasonPlan
from scheduling.saying import again, packed, unpacked
from tests import factories as make

DAY = date(2026, 12, 3)
SAVES = worded("Saves %(saved)s weighted days out of tolerance.", saved=Figure(12.34, ".1f"))
NEEDED = worded(
    "Needed for %(visits)s.",
    visits=worded("the %(service)s in the week of %(week)s", service=Term("voicing"), week=DAY),
)
LEARNED = worded_many(
    "What the model cannot explain, judged by one value found at earlier services.",
    "What the model cannot explain, judged by %(number)s values found at earlier services.",
    3,
)


def test_the_engine_says_it_in_english():
    assert SAVES == "Saves 12.3 weighted days out of tolerance."
    assert NEEDED == "Needed for the voicing in the week of 3 December 2026."
    assert LEARNED.endswith("judged by 3 values found at earlier services.")
    assert worded("Nothing is put off: 100 %") == "Nothing is put off: 100 %"


@pytest.mark.parametrize(
    ("said", "german"),
    [
        (SAVES, "Spart 12,3 gewichtete Tage außer Toleranz."),
        (NEEDED, "Nötig für die Intonation in der Woche vom 3. Dezember 2026."),
        (
            LEARNED,
            "Was das Modell nicht erklären kann, beurteilt nach 3 Werten, die bei früheren Arbeiten "
            "vorgefunden wurden.",
        ),
        (
            joined(" ", [SAVES, "", NEEDED]),
            "Spart 12,3 gewichtete Tage außer Toleranz. Nötig für die Intonation in der Woche vom "
            "3. Dezember 2026.",
        ),
    ],
)
def test_it_is_said_again_in_german_and_back_in_english(said, german):
    through_json = json.loads(json.dumps(packed(said)))
    with translation.override("de"):
        assert again(said) == german
        assert unpacked(through_json) == german
    assert unpacked(through_json) == said


@pytest.mark.parametrize(
    ("style", "english", "german"),
    [
        ("long", "3 December 2026", "3. Dezember 2026"),
        ("weekday", "Thursday 3 December", "Donnerstag, 3. Dezember"),
        ("short", "Thu 3 Dec", "Do, 3. Dez"),
        ("day", "3 December", "3. Dezember"),
    ],
)
def test_days_are_written_as_each_language_does(style, english, german):
    said = worded("%(first)s to %(last)s", first=On(DAY, style), last=On(datetime(2026, 12, 3, 9, 5), "time"))
    assert said == f"{english} to 09:05"
    with translation.override("de"):
        assert again(said) == f"{german} bis 09:05"


def test_what_somebody_typed_is_no_format_and_stays_as_it_is():
    said = worded("%(name)s away", name="100 %(name)s")
    assert said == "100 %(name)s away"
    assert unpacked(packed(said)) == said
    assert packed("plain text") == "plain text"


@pytest.mark.parametrize("kept", [copy.deepcopy, lambda said: pickle.loads(pickle.dumps(said))])
def test_a_copy_can_still_be_said_again(kept):
    twin = kept(NEEDED)
    assert twin == NEEDED
    assert twin.source == NEEDED.source


@pytest.fixture
def visit():
    site = make.make_site()
    plan = make.make_plan(site)
    return make.make_visit(plan, make.make_instrument(make.make_room(site)), reason=NEEDED)


@pytest.mark.django_db
def test_a_stored_reason_is_read_in_the_readers_language(visit):
    assert PlannedVisit.objects.get(pk=visit.pk).reason == NEEDED
    with translation.override("de"):
        assert PlannedVisit.objects.get(pk=visit.pk).reason == again(NEEDED) != NEEDED


@pytest.mark.django_db
def test_saving_what_was_read_in_german_leaves_english_readers_their_english(visit):
    with translation.override("de"):
        PlannedVisit.objects.get(pk=visit.pk).save()
    assert PlannedVisit.objects.get(pk=visit.pk).reason == NEEDED


@pytest.mark.django_db
def test_a_reason_stored_before_there_were_languages_is_read_as_it_is(visit):
    PlannedVisit.objects.filter(pk=visit.pk).update(reason="others need it more")
    with translation.override("de"):
        assert PlannedVisit.objects.get(pk=visit.pk).reason == "others need it more"


@pytest.mark.django_db
def test_sentences_within_lists_and_rows_are_kept_too(visit):
    plan = visit.plan
    plan.moves = [{"tag": "U-12", "why": NEEDED, "from": None}]
    plan.notes = [SAVES, "as it came"]
    plan.save()
    with translation.override("de"):
        read = SeasonPlan.objects.get(pk=plan.pk)
        assert read.moves == [{"tag": "U-12", "why": again(NEEDED), "from": None}]
        assert read.notes == [again(SAVES), "as it came"]
    assert SeasonPlan.objects.get(pk=plan.pk).notes == [SAVES, "as it came"]
