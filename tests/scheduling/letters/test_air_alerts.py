"""Air that is about to move instruments: told once, with the forecast's figures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from scheduling import ticking
from scheduling.air_alerts import find_spell, tell_of_spells
from scheduling.engine.air_ahead import heading
from scheduling.engine.moisture import equilibrium_moisture
from scheduling.models import Letter
from tests import factories as make
from tests.factories import TODAY

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


def falling(to: float, days: int = 4):
    """Air at 50 % until so many days before today, then at another humidity."""
    return lambda day: (21.0, to if day >= TODAY - timedelta(days=days) else 0.50)


@pytest.fixture
def site():
    site = make.make_site()
    make.make_person(site, "Ida Thorn")
    run = make.make_run(site)
    for name, to in (("Elm Hall", 0.30), ("Lark Studio", 0.32), ("Cellar", 0.50)):
        room = make.make_room(site, name)
        make.make_climate(room, TODAY - timedelta(days=100), 100, falling(to))
        make.make_forecast(make.make_instrument(room, f"U-{name[0]}"), "tuning", run)
    return site


def test_a_gap_is_what_the_wood_has_still_to_go():
    """After long steady air and four days of another: by hand, the rest of a step is e to the −4/τ."""
    days = np.arange(740_000, 740_200)
    rh = np.where(days >= 740_196, 0.30, 0.50)
    found = heading(days, np.full(200, 21.0), rh, 6.0, 740_200)
    dry, damp = (float(equilibrium_moisture(21.0, one)) for one in (0.30, 0.50))
    assert found.towards == pytest.approx(dry)
    assert found.gap == pytest.approx((dry - damp) * np.exp(-4 / 6))
    assert heading(days[:20], np.full(20, 21.0), rh[:20], 6.0, 740_020) is None
    assert heading(days, np.full(200, 21.0), rh, 6.0, 740_260) is None


def test_a_dry_spell_names_its_rooms_and_what_the_forecast_says_of_their_instruments(site):
    spell = find_spell(site, TODAY)
    assert spell.dry
    assert [room.name for room, _ in spell.rooms] == ["Elm Hall", "Lark Studio"]
    assert spell.all_rooms == 3
    assert {move.instrument.tag for move in spell.moves} == {"U-E", "U-L"}
    move = spell.moves[0]
    # The forecasts by hand: a tenth of a cent lower and two percent surer each week, three weeks on.
    assert (move.change, move.out_now, move.out_then) == pytest.approx((-0.3, 0.1, 0.16))


def test_it_is_told_once_and_to_whoever_asks_for_alerts_later(site):
    (letter,) = tell_of_spells(site, NOW)
    assert "first dry week" in letter.subject
    assert "U-E, Elm Hall: -0.3 cents until 21 December; out of tolerance with 16 %" in letter.text
    assert "2 of 3 rooms" in letter.text
    for hours in (1, 30, 24 * 6):
        later = NOW + timedelta(hours=hours)
        make.make_run(site, later.date())
        tell_of_spells(site, later)
    assert Letter.objects.filter(kind="alert").count() == 1
    make.make_person(site, "Rufus Pell")
    tell_of_spells(site, NOW + timedelta(days=1))
    assert Letter.objects.filter(kind="alert").count() == 2
    assert len(set(Letter.objects.filter(kind="alert").values_list("occasion", flat=True))) == 1


def test_damp_air_is_told_as_such_and_weather_of_one_room_or_one_day_is_not(site):
    for room in site.rooms.all():
        room.climate_days.filter(date__gte=TODAY - timedelta(days=4)).update(rh_mean=0.72)
    spell = find_spell(site, TODAY)
    assert not spell.dry
    (letter,) = tell_of_spells(site, NOW)
    assert "Damp air" in letter.subject
    for room in site.rooms.all():
        room.climate_days.filter(date__lt=TODAY - timedelta(days=1)).update(rh_mean=0.50)
        room.climate_days.filter(date=TODAY - timedelta(days=1)).update(rh_mean=0.40)
    assert find_spell(site, TODAY) is None


def test_it_waits_for_the_forecast_of_the_day_and_a_tick_tells_it(site):
    make.make_run(site, TODAY - timedelta(days=1))
    site.forecast_runs.filter(today=TODAY).update(today=TODAY - timedelta(days=1))
    assert tell_of_spells(site, NOW) == []
    make.make_run(site)
    ticking.tick(NOW)
    assert Letter.objects.filter(kind="alert").count() == 1
