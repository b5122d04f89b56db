"""What scenarios come to, against plans made after the change was really stored, and by hand."""

from collections import defaultdict
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest

from fleet.models import Instrument, Service
from scheduling.inputs import fleet_facts
from scheduling.models import Forecast, ForecastRun, SeasonPlan
from scheduling.planning import make_season_plan
from scheduling.scenarios.changes import Absent, Added, Hours, Humidity, OtherUse, Retired
from tests.factories import MONDAY, TODAY, make_absence, make_held, make_instrument
from tests.scheduling.scenarios.conftest import WANTED, WEEKS

pytestmark = pytest.mark.django_db


def gap(worked):
    """What the search has not proven of a cost [weighted d], and a rounding."""
    return worked.result.cost - worked.result.bound + 1e-6


def test_without_a_change_a_scenario_costs_exactly_what_the_plan_costs(site, what_if):
    plan = make_season_plan(site, WANTED, TODAY)
    stored = SeasonPlan.objects.count(), ForecastRun.objects.count(), Forecast.objects.count()
    figures = what_if().figures()
    assert figures["cost"] == plan.cost
    assert figures["bound"] == plan.bound
    assert figures["hours_used"] == plan.hours_used
    assert figures["visits"] == plan.visits.count()
    assert [(tag, kind) for tag, kind, *_ in figures["put_off"]] == list(
        plan.put_off.order_by("-cost", "pk").values_list("instrument__tag", "kind")
    )
    assert stored == (SeasonPlan.objects.count(), ForecastRun.objects.count(), Forecast.objects.count())


def test_a_held_humidity_spares_days_out_where_wood_moves_and_touches_no_other_room(site, what_if):
    free = what_if()
    held = what_if(Humidity("Hall", 0.40, 0.46, TODAY))
    for n, line in enumerate(free.setup.lines):
        never, steady = (one.setup.problem.jobs[n].days_out[0, -1] for one in (free, held))
        if line.room_on(TODAY) == "Attic":
            assert steady == never
        elif line.subject.service == "voicing":
            # Wear alone moves it: the same to the rounding of sums.
            assert steady == pytest.approx(never, abs=1e-6)
        elif line.subject.service == "regulation":
            # Drying lowers a frame and takes off the dip what wear adds: a steady room need not be better.
            assert steady != never
        else:
            assert steady <= never + 1e-6, line.subject
    assert held.result.cost <= free.result.cost + gap(held)
    assert held.figures()["days_out_by_kind"]["tuning"] < free.figures()["days_out_by_kind"]["tuning"]


def test_a_narrower_band_never_costs_more_than_a_wider_one_around_the_same_middle(what_if):
    wide, narrow = (what_if(Humidity("Hall", 0.43 - w, 0.43 + w, TODAY)) for w in (0.10, 0.02))
    assert narrow.result.cost <= wide.result.cost + gap(narrow)


def test_more_hours_never_cost_more_and_fewer_never_less(what_if):
    worked = [what_if(Hours(more)) if more else what_if() for more in (-2.0, 0.0, 3.0)]
    for poorer, richer in zip(worked, worked[1:], strict=False):
        assert richer.result.cost <= poorer.result.cost + gap(richer)
        assert richer.result.bound <= poorer.result.bound + gap(poorer)
    assert [sum(one.figures()["hours_offered"]) for one in worked] == pytest.approx([18.0, 30.0, 48.0])


def test_hours_change_only_in_the_weeks_named(what_if):
    change = Hours(1.5, MONDAY + timedelta(weeks=1), MONDAY + timedelta(weeks=2))
    assert what_if(change).figures()["hours_offered"] == pytest.approx([5.0, 6.5, 6.5, 5.0, 5.0, 5.0])
    assert what_if(Hours(-9.0)).figures()["hours_offered"] == [0.0] * WEEKS


def test_somebody_away_costs_what_a_stored_absence_costs(site, what_if):
    ada = site.people.get(name="Ada")
    first, last = MONDAY + timedelta(days=3), MONDAY + timedelta(days=20)
    scenario = what_if(Absent("Ada", first, last, ada.pk)).figures()
    make_absence(ada, first, last)
    plan = make_season_plan(site, WANTED, TODAY)
    assert scenario["hours_offered"] == plan.hours_offered
    assert scenario["cost"] == plan.cost


def test_a_new_instrument_is_what_it_would_be_if_it_were_stored(site, what_if):
    worked = what_if(Added(1, "grand", "recital", "Attic"))
    new = [line for line in worked.setup.lines if line.instrument_id < 0]
    stored = make_instrument(
        site.rooms.get(name="Attic"),
        "new grand 1",
        "grand",
        use_class="recital",
        year_built=TODAY.year,
        in_service_since=TODAY,
    )
    facts = fleet_facts(site, TODAY, 365)
    expected = [line for line in facts.lines if line.instrument_id == stored.pk]
    assert [(line.subject, line.weight, line.hours) for line in new] == [
        (line.subject, line.weight, line.hours) for line in expected
    ]
    plan = make_season_plan(site, WANTED, TODAY)
    # The order of jobs differs, so the search may end elsewhere within what it has not proven.
    assert worked.result.cost == pytest.approx(plan.cost, abs=gap(worked) + plan.cost - plan.bound)


def test_another_use_class_is_what_it_would_be_if_it_were_stored(site, what_if):
    scenario = what_if(OtherUse(("I-2",), "concert")).figures()
    Instrument.objects.filter(tag="I-2").update(use_class="concert")
    assert scenario["cost"] == make_season_plan(site, WANTED, TODAY).cost


def test_a_retired_instrument_is_not_worked_on_but_has_taught_what_it_taught(site, what_if):
    make_held(site.instruments.get(tag="I-1"), MONDAY)
    free = what_if()
    without = what_if(Retired(("I-1",)))
    assert {line.subject.instrument for line in without.setup.lines} == {"I-0", "I-2"}
    tables = {(j.instrument, j.service): j.cost for j in free.setup.problem.jobs}
    for job in without.setup.problem.jobs:
        np.testing.assert_allclose(job.cost, tables[job.instrument, job.service], rtol=1e-9, atol=1e-9)
    assert without.result.cost <= free.result.cost + gap(without)


def test_money_is_each_person_s_hours_at_their_own_price_else_the_site_s(site, what_if):
    """Hand calculation from the visits: Ada at 55.50, Bo at the site's 40.00."""
    worked = what_if()
    hours = defaultdict(Decimal)
    for visit in worked.result.visits:
        name = worked.setup.offered.people[visit.person].name
        hours[name] += Decimal(str(worked.setup.lines[visit.job].hours))
    assert hours["Ada"]
    assert hours["Bo"]
    assert worked.money == hours["Ada"] * Decimal("55.50") + hours["Bo"] * 40
    site.hour_cost = None
    site.save()
    again = what_if()
    assert again.money == hours["Ada"] * Decimal("55.50")
    assert again.hours_without_price == float(hours["Bo"])


def test_changes_add_up_and_leave_no_trace(site, what_if):
    services = Service.objects.count()
    worked = what_if(
        Hours(2.0),
        Hours(1.0),
        Retired(("I-0",)),
        Added(2, "upright", "practice", "Hall"),
        Added(1, "upright", "practice", "Hall"),
        Humidity("Attic", 0.4, 0.5, TODAY),
    )
    assert worked.figures()["hours_offered"] == pytest.approx([8.0] * WEEKS)
    names = {line.subject.instrument for line in worked.setup.lines}
    assert names == {"I-1", "I-2", "new upright 1", "new upright 2", "new upright 3"}
    assert Instrument.objects.count() == 3
    assert Service.objects.count() == services
