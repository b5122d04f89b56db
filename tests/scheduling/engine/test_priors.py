import numpy as np
import pytest
from scipy import stats

from scheduling.engine import priors
from scheduling.engine.deviation import settled
from scheduling.engine.priors import key_lever, service_prior, walk_factor


def prior(service="tuning", kind="grand", use="teaching", **changes):
    facts = (
        dict(tolerance=4.5, interval_days=75.0, hours_per_week=20.0, humidity_control=False, lever=3.0)
        | changes
    )
    return service_prior(service, kind, use, **facts)


@pytest.mark.parametrize(
    ("front", "back", "ratio"), [(220, 110, 3.0), (235, 120, 2.958), (240, 240, 2.0), (0, 0, 3.0)]
)
def test_the_key_front_rises_by_similar_triangles(front, back, ratio):
    assert key_lever(front, back) == pytest.approx(ratio, abs=5e-4)


@pytest.mark.parametrize(("front", "back"), [(220, 0), (-1, 110), (0, 110)])
def test_half_a_key_is_refused(front, back):
    with pytest.raises(ValueError, match="give both"):
        key_lever(front, back)


def test_damper_air_sharpens_every_strung_instrument():
    for kind in priors.KNOWN_KINDS:
        assert prior(kind=kind).moisture.mean > 0


def test_the_doubt_about_time_constants_spans_the_stated_ranges():
    # medians 6, 10, 30 d with nine in ten between 2-20, 4-30, 10-90; one factor serves all three
    for median, low, high in ((6, 2, 20), (10, 4, 30), (30, 10, 90)):
        law = stats.lognorm(priors.TAU_LOG_SD, scale=median)
        assert law.cdf(high) - law.cdf(low) == pytest.approx(0.90, abs=0.06)


def test_a_fitted_control_takes_the_exact_moments_of_the_product():
    rng = np.random.default_rng(1)
    free, held = prior().moisture, prior(humidity_control=True).moisture
    coupling = rng.normal(priors.CONTROL_COUPLING, priors.CONTROL_COUPLING_SD, 400_000)
    product = coupling * rng.normal(free.mean, free.sd, 400_000)
    assert held.mean == pytest.approx(product.mean(), rel=0.01)
    assert held.sd == pytest.approx(product.std(), rel=0.01)


def test_an_unknown_service_reaches_its_tolerance_at_its_interval():
    odd = prior("humidifier refill", tolerance=1.0, interval_days=30.0, hours_per_week=14.0)
    thousands = 14.0 / 7 * 30.0 / 1000
    assert odd.hours.mean * thousands == pytest.approx(1.0)


def test_an_unplayed_instrument_still_ages_for_an_unknown_service():
    odd = prior("oiling", tolerance=1.0, interval_days=365.0, hours_per_week=0.0)
    assert np.isfinite(odd.hours.mean)
    assert odd.walk_day > 0


def test_harder_use_wears_tone_faster():
    wear = [prior("voicing", use=use).hours.mean for use in ("practice", "teaching", "recital", "concert")]
    assert wear == sorted(wear)


def test_old_instruments_wander_more_up_to_a_point():
    assert [walk_factor(years) for years in (0, 30, 55, 80, 200)] == [1.0, 1.0, 1.5, 2.0, 2.0]


def test_thinner_boards_follow_sooner_and_warmth_flattens_every_string():
    taus = [prior(kind=kind).components[0][1] for kind in ("harpsichord", "fortepiano", "grand")]
    assert taus == sorted(taus)
    # the stated range of boards, 8 mm under varnish, is 2 to 20 days; a bare 3 mm board follows within hours
    assert 0.3 < taus[0] < 6.0
    # check: wire alone -2.05 cents per kelvin at A4, -0.18 where the frame goes with it (elastic strings)
    for kind in priors.KNOWN_KINDS:
        assert -2.05 < prior(kind=kind).warmth.mean < 0
    assert prior().warmth.mean - prior().warmth.sd < -0.18 < prior().warmth.mean + prior().warmth.sd


def test_creep_with_log_time_is_six_cents_a_decade():
    """6 cents for each tenfold time from a day on: 8.9 cents after 30 days, 15.4 after 365 (arithmetic)."""
    days = np.array([10.0, 30.0, 90.0, 365.0, 730.0, 1460.0])
    share = settled(days, priors.log_creep())
    per_share = 15.4 / share[3]
    np.testing.assert_allclose(per_share * share, 6.0 * np.log10(1.0 + days), rtol=0.02)
    assert per_share * share[1] == pytest.approx(8.9, abs=0.1)


@pytest.mark.parametrize(
    ("settling", "saturating"),
    [(priors.TUNING, (-20.0, (0.7, 120.0), (0.3, 500.0))), (priors.BEDDING, (0.15, (1.0, 200.0)))],
)
def test_two_laws_of_settling_agree_on_the_first_year(settling, saturating):
    whole, *curve = saturating
    first_year = settled(np.array([365.0]), tuple(curve))
    both = settling.settling.mean * settled(np.array([365.0]), settling.settle)
    assert both == pytest.approx(whole * first_year, rel=0.05)
    assert sum(share for share, _ in settling.settle) == pytest.approx(1.0)


def test_only_where_the_key_frame_slides_does_dip_follow_the_gap():
    assert prior("regulation", kind="grand").moisture.sd > 0
    assert {prior("regulation", kind=kind).moisture for kind in ("upright", "harpsichord")} == {priors.NONE}


def test_a_frame_that_lifts_adds_to_the_dip():
    """Similar triangles: balance rail up, front of the key up, front stop as it was, so more dip."""
    gap, dip = prior("bedding").moisture.mean, prior("regulation", lever=3.0).moisture.mean
    assert 0 < dip < 3.0 * gap  # part of the gap times the lever, never more than all of it
