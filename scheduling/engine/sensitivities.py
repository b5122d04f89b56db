"""How far an instrument goes for damp, warmth, playing and newness: what was learned, and what is usual."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from scheduling.engine import priors
from scheduling.engine.cases import Beliefs, Case, prior_beliefs, prior_of
from scheduling.engine.deviation import HOURS, MOISTURE, SETTLING, WARMTH
from scheduling.engine.priors import Belief, ServicePrior

CURVE_DOUBT = 0.05  # [-] sd of the slope of the sorption curve; a judgement on the Notes of `sensitivity`
PER_HUNDRED = 0.1  # of a coefficient that stands per thousand hours played

HUMIDITY, WARM, PLAYING, NEWNESS = "humidity", "warmth", "playing", "settling"


@dataclass(frozen=True)
class Sensitivity:
    """One way in which an instrument goes out, learned and usual.

    Attributes
    ----------
    name : str
        "humidity" [unit per percent of relative humidity], "warmth" [unit per kelvin], "playing" [unit per
        hundred hours], "settling" [unit, the whole of a new instrument's].
    learned : Belief
        After the records of this and of other instruments.
    usual : Belief
        Before any record, for an instrument of its kind, use and fittings.
    """

    name: str
    learned: Belief
    usual: Belief


def sensitivities(case: Case, belief: Beliefs) -> tuple[Sensitivity, ...]:
    """Return what is believed of a case, without what plays no part in its service."""
    usual = _usual(prior_of(case.subject))
    found = _of(belief)
    return tuple(Sensitivity(name, found[name], usual[name]) for name in found if usual[name].sd > 0)


@lru_cache(maxsize=512)
def _usual(prior: ServicePrior) -> dict[str, Belief]:
    return _of(prior_beliefs(prior))


def _of(belief: Beliefs) -> dict[str, Belief]:
    return {
        HUMIDITY: sensitivity(belief),
        WARM: coefficient(belief, WARMTH),
        PLAYING: coefficient(belief, HOURS).times(PER_HUNDRED),
        NEWNESS: coefficient(belief, SETTLING),
    }


def coefficient(belief: Beliefs, part: int) -> Belief:
    """Mean and standard deviation of a coefficient over time constants and noise [unit per its own part].

    Notes
    -----
    A mixture over the factors of the time constant, of Student t distributions whose variance is the noise
    variance's mean, ``scale shape / (shape - 1)``, times the spread (law of total variance).
    """
    each = belief.mean[:, part]
    mean = float(belief.weights @ each)
    noise = belief.scale * belief.shape / (belief.shape - 1.0)
    inside = noise * belief.spread[:, part, part] + (each - mean) ** 2
    return Belief(mean, float(belief.weights @ inside) ** 0.5)


def sensitivity(belief: Beliefs) -> Belief:
    """How far the pitch goes for a point of humidity, once the wood has followed [unit per percent].

    Notes
    -----
    Mean and standard deviation over time constants and noise, and of the sorption curve through which the
    room's humidity is told as moisture: between 30 and 70 % it climbs by 7 % of moisture, and no such curve
    is known better than to within half a percent at either end (Wood Handbook 2021, ch. 4).
    """
    found = coefficient(belief, MOISTURE)
    variance = found.sd**2 + (CURVE_DOUBT * found.mean) ** 2
    return Belief(found.mean, variance**0.5).times(1.0 / priors.PER_POINT)
