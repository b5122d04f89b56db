from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import Instrument, InstrumentKind, ServiceKind, ServiceRule, WorksheetLine
from scheduling.engine.subjects import Knock, Record, Stay
from scheduling.inputs import fleet_facts
from tests.factories import (
    TODAY,
    make_climate,
    make_instrument,
    make_placement,
    make_room,
    make_service,
    make_site,
    make_term,
)

pytestmark = pytest.mark.django_db


def facts(site, today=TODAY, horizon=365):
    return fleet_facts(site, today, horizon)


def subject(site, service="tuning", today=TODAY):
    return next(s for s in facts(site, today).subjects if s.service == service)


def stays(site):
    return [(date.fromordinal(stay.from_day), stay.room) for stay in subject(site).stays]


def test_a_grand_gets_every_kind_of_service_and_an_upright_no_bedding():
    site = make_site()
    room = make_room(site)
    make_instrument(room, "G-1", "grand")
    make_instrument(room, "U-1", "upright")
    pairs = [(s.instrument, s.service) for s in facts(site).subjects]
    assert pairs == [
        ("G-1", "tuning"),
        ("G-1", "bedding"),
        ("G-1", "regulation"),
        ("G-1", "voicing"),
        ("U-1", "tuning"),
        ("U-1", "regulation"),
        ("U-1", "voicing"),
    ]


def test_a_kind_that_behaves_like_a_grand_is_bedded_and_one_like_an_upright_is_not():
    site = make_site()
    room = make_room(site)
    for kind, like in (("boudoir", "grand"), ("cottage", "upright")):
        InstrumentKind.objects.create(site=site, kind=kind, behaves_like=like)
        make_instrument(room, kind, kind)
    bedded = {s.instrument for s in facts(site).subjects if s.service == "bedding"}
    assert bedded == {"boudoir"}
    assert len(facts(site).subjects) == 4 + 3


def test_the_rules_of_the_use_class_come_along():
    site = make_site()
    make_instrument(make_room(site), use_class="concert")
    ServiceRule.objects.filter(
        service_kind__site=site, use_class="concert", service_kind__kind="tuning"
    ).update(tolerance=1.5, weight=9.0, hours=1.25, interval_days=7)
    line = facts(site).lines[0]
    assert (line.subject.tolerance, line.subject.unit, line.subject.interval_days) == (1.5, "cents", 7.0)
    assert (line.weight, line.hours) == (9.0, 1.25)


def test_what_nobody_has_said_is_filled_in_and_what_was_said_is_kept():
    site = make_site()
    room = make_room(site)
    make_instrument(room, "A", "grand", use_class="practice")
    make_instrument(
        room, "B", "grand", hours_played_per_week=0, glides=8, lever_front_mm=235, lever_back_mm=120
    )
    silent, said = (s for s in facts(site).subjects if s.service == "tuning")
    assert (silent.hours_per_week, silent.glides, silent.lever_front_mm, silent.lever_back_mm) == (
        40,
        6,
        220,
        110,
    )
    assert (said.hours_per_week, said.glides, said.lever_front_mm, said.lever_back_mm) == (0, 8, 235, 120)


def test_an_instrument_is_never_built_after_it_entered_service():
    site = make_site()
    make_instrument(make_room(site), year_built=2026, in_service_since=date(2026, 3, 1))
    assert subject(site).built_day == date(2026, 3, 1).toordinal()


def test_retired_instruments_and_those_not_yet_in_service_are_left_out():
    site = make_site()
    room = make_room(site)
    make_instrument(room, "gone", retired_on=TODAY)
    make_instrument(room, "going", retired_on=TODAY + timedelta(days=1))
    make_instrument(room, "coming", in_service_since=TODAY + timedelta(days=1))
    assert {s.instrument for s in facts(site).subjects} == {"going"}


def test_records_come_in_the_order_they_were_made_and_not_from_the_future():
    site = make_site()
    instrument = make_instrument(make_room(site))
    make_service(instrument, TODAY + timedelta(days=1), found=9.0)
    make_service(instrument, TODAY, order=1, found=None, left=0.4)
    make_service(instrument, TODAY, order=0, found=2.0, found_bass=1.0, found_treble=-3.0)
    make_service(instrument, date(2026, 5, 1), found=-4.0)
    make_service(instrument, date(2026, 5, 2), found=1.5, only_measured=True)
    make_service(instrument, date(2026, 6, 1), "voicing", found=2.5)
    tuning = subject(site)
    assert tuning.records == (
        Record(date(2026, 5, 1).toordinal(), -4.0, None),
        Record(date(2026, 5, 2).toordinal(), 1.5, 1.5, only_measured=True),
        Record(TODAY.toordinal(), 2.0, None, (1.0, None, None, -3.0)),
        Record(TODAY.toordinal(), None, 0.4),
    )
    assert tuning.related == {"voicing": (Record(date(2026, 6, 1).toordinal(), 2.5, None),)}


def test_an_instrument_that_never_moved_stood_in_its_room_since_it_entered_service():
    site = make_site()
    make_instrument(make_room(site, "Hall"), in_service_since=date(2010, 9, 1))
    assert stays(site) == [(date(2010, 9, 1), "Hall")]


def test_a_moved_instrument_felt_each_room_in_turn():
    site = make_site()
    cellar, hall = make_room(site, "Cellar"), make_room(site, "Hall")
    instrument = make_instrument(hall)
    make_placement(instrument, cellar, date(2025, 1, 1), date(2026, 3, 31))
    make_placement(instrument, hall, date(2026, 4, 1))
    assert stays(site) == [(date(2025, 1, 1), "Cellar"), (date(2026, 4, 1), "Hall")]


def test_after_the_last_placement_has_ended_it_stands_in_the_room_the_instrument_names():
    site = make_site()
    cellar, hall = make_room(site, "Cellar"), make_room(site, "Hall")
    make_placement(make_instrument(hall), cellar, date(2025, 1, 1), date(2026, 3, 31))
    assert stays(site) == [(date(2025, 1, 1), "Cellar"), (date(2026, 4, 1), "Hall")]


def test_where_an_open_placement_and_the_instrument_disagree_its_own_room_holds_from_today():
    site = make_site()
    cellar, hall = make_room(site, "Cellar"), make_room(site, "Hall")
    make_placement(make_instrument(hall), cellar, date(2025, 1, 1))
    assert stays(site) == [(date(2025, 1, 1), "Cellar"), (TODAY, "Hall")]


def test_a_move_to_come_is_known_and_until_then_it_stands_in_its_own_room():
    site = make_site()
    cellar, hall = make_room(site, "Cellar"), make_room(site, "Hall")
    instrument = make_instrument(hall, in_service_since=date(2010, 9, 1))
    make_placement(instrument, cellar, date(2027, 1, 11))
    assert stays(site) == [(date(2010, 9, 1), "Hall"), (date(2027, 1, 11), "Cellar")]
    line = facts(site).lines[0]
    assert (line.room_on(date(2027, 1, 10)), line.room_on(date(2027, 1, 11))) == ("Hall", "Cellar")


def test_a_kind_of_instrument_the_site_added_says_what_it_behaves_like():
    site = make_site()
    InstrumentKind.objects.create(site=site, kind="spinet", behaves_like="harpsichord")
    make_instrument(make_room(site), kind="spinet")
    assert subject(site).behaves_like == "harpsichord"


def test_a_kind_of_service_the_site_added_is_forecast_too():
    site = make_site()
    kind = ServiceKind.objects.create(site=site, kind="refill", unit="", instrument_kinds=[])
    ServiceRule.objects.create(
        service_kind=kind, use_class="teaching", tolerance=1, weight=0.2, hours=0.25, interval_days=60
    )
    room = make_room(site)
    make_instrument(room, "T")
    make_instrument(room, "P", use_class="practice")
    assert [s.instrument for s in facts(site).subjects if s.service == "refill"] == ["T"]


def test_knocks_are_counted_by_glide_and_day_and_belong_to_bedding():
    site = make_site()
    instrument = make_instrument(make_room(site), kind="grand")
    day = date(2026, 10, 1)
    for point, condition, before in (
        ("1", "rest", 0),
        ("1", "shifted", 1),
        ("2", "rest", 0),
        ("3", "rest", None),
    ):
        WorksheetLine.objects.create(
            instrument=instrument, kind="bedding", date=day, point=point, condition=condition,
            quantity="knock", before=before,
        )  # fmt: skip
    assert subject(site, "bedding").knocks == (Knock(day.toordinal(), 1, 2),)
    assert subject(site, "tuning").knocks == ()


def small_site(name="Twin"):
    site = make_site(name)
    room = make_room(site, "Hall")
    make_climate(room, date(2026, 11, 1), 20)
    instrument = make_instrument(room, "G-1", "grand")
    make_service(instrument, date(2026, 9, 1), found=3.0)
    make_term(site, date(2026, 12, 20), date(2027, 1, 6), name="Vacation", playing_factor=0.1)
    return site


def test_the_same_facts_give_the_same_digest_whatever_the_rows_are_numbered():
    assert facts(small_site("One")).digest() == facts(small_site("Two")).digest()


@pytest.mark.parametrize(
    "change",
    [
        lambda site: make_service(site.instruments.get(), date(2026, 10, 1), found=1.0),
        lambda site: site.rooms.get().climate_days.filter(date=date(2026, 11, 3)).update(rh_mean=0.31),
        lambda site: site.rooms.get().climate_days.filter(date=date(2026, 11, 3)).delete(),
        lambda site: site.terms.update(playing_factor=0.2),
        lambda site: site.instruments.update(humidity_control=True),
        lambda site: make_placement(site.instruments.get(), make_room(site, "Cellar"), date(2020, 1, 1)),
        lambda site: ServiceRule.objects.of_site(site).filter(use_class="teaching").update(tolerance=5),
    ],
)
def test_a_fact_that_changes_changes_the_digest(change):
    site = small_site()
    before = facts(site).digest()
    change(site)
    assert facts(site).digest() != before


def test_the_digest_depends_on_the_day_and_the_horizon():
    site = small_site()
    digests = {
        facts(site, day, horizon).digest() for day in (TODAY, TODAY - timedelta(1)) for horizon in (90, 91)
    }
    assert len(digests) == 4


def test_what_only_the_plan_needs_does_not_change_the_digest():
    site = small_site()
    before = facts(site).digest()
    ServiceRule.objects.of_site(site).update(hours=2.5, weight=7)
    assert facts(site).digest() == before


def test_another_site_is_never_read():
    site = small_site("One")
    before = facts(site).digest()
    other = small_site("Two")
    make_service(other.instruments.get(), date(2026, 10, 1), found=8.0)
    make_instrument(other.rooms.get(), "more")
    assert facts(site).digest() == before


def test_the_number_of_queries_does_not_grow_with_the_instruments():
    site = small_site()

    def queries():
        with CaptureQueriesContext(
            connection,
        ) as caught:
            facts(site)
        return len(caught)

    before = queries()
    room = make_room(site)
    for number in range(25):
        instrument = make_instrument(room, kind="grand")
        make_service(instrument, date(2026, 9, 1 + number))
        make_placement(instrument, room, date(2026, 1, 1))
    assert Instrument.objects.of_site(site).count() == 26
    assert queries() == before


def test_a_stay_is_what_the_engine_expects():
    site = small_site()
    assert subject(site).stays == (Stay(date(1999, 9, 1).toordinal(), "Hall"),)
