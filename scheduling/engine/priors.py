"""What is believed of an instrument before its own records speak; every number is a stated prior.

Unless a line names a source, each value here is a prior: common practice, no source. They were set so that
an instrument with the tolerances a site starts with leaves them after about the interval the trade would use.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp

SOUNDBOARD_TAU = 6.0  # [d], nine in ten between 2 and 20; from diffusion in 8 mm spruce, one face varnished
KEY_FRAME_TAU = 10.0  # [d], 4 to 30; 20 to 25 mm, bare
KEY_BED_TAU = 30.0  # [d], 10 to 90; 30 to 45 mm
TAU_LOG_SD = 0.70  # [-], of the natural logarithm: a factor of 3.2 either way holds nine in ten

SOUNDBOARD = ((1.0, SOUNDBOARD_TAU),)
# Thinner boards under the same varnish, which is what holds the water up: in proportion to their thickness
HARPSICHORD_BOARD = ((1.0, SOUNDBOARD_TAU * 3.0 / 8.0),)  # 3 mm against 8; thickness: common practice
FORTEPIANO_BOARD = ((1.0, SOUNDBOARD_TAU * 5.0 / 8.0),)  # 5 mm
FRAME_ABOVE_BED = (
    (1.0, KEY_FRAME_TAU),
    (-1.0, KEY_BED_TAU),
)  # even swelling opens no contact, a gradient does
NO_WOOD: tuple[tuple[float, float], ...] = ()

# dM/dRH near 45 % and 21 degC, Wood Handbook 2021 Eq. 4-5: 0.154; turns "per point of humidity" into moisture
MOISTURE_PER_HUMIDITY = 0.155  # [fraction per fraction]
PER_POINT = 100.0 / MOISTURE_PER_HUMIDITY  # cents per point of humidity -> cents per unit of moisture

LEVER_FRONT_MM, LEVER_BACK_MM = 220.0, 110.0  # key lengths either side of the balance rail, where not given
CONTROL_COUPLING, CONTROL_COUPLING_SD = 0.3, 0.2  # [-] of the room's swing felt where a control is fitted
SHAPE = 6.0  # of the inverse gamma on the noise variance: its size is known within about a factor of 1.6
# A coefficient's prior variance has three levels; the split is a prior, no source
SITE_SHARE = 0.25  # [-] common to all instruments of a site: how far the prior mean itself may be off
GROUP_SHARE = 0.25  # [-] common to instruments alike
OWN_SHARE = 1.0 - SITE_SHARE - GROUP_SHARE
SLIDING_FRAME = ("grand",)  # where the key frame lies loose on the key bed, so that dip follows the gap
KNOWN_KINDS = ("grand", "upright", "harpsichord", "fortepiano", "celesta")
NEVER_SERVED_SHARE = 0.5  # [-] of the tolerance: sd of the start where no service was ever recorded
NEW_SHARE = 0.2  # [-] of the tolerance: the same for one that came new, set up by its maker
NEW_WITHIN_YEARS = 1.0  # [a] from being built to coming: such an instrument came new
NEW_FOR_YEARS = 2.0  # [a] after which somebody will have served it, whatever is on record
KNOCK_GAP_MM = 0.05  # a contact knocks when its gap passes this, positive side only
KNOCK_GAP_SD_MM = 0.02  # spread of that threshold from ear to ear


@dataclass(frozen=True)
class Belief:
    """Mean and standard deviation of a coefficient."""

    mean: float
    sd: float

    def times(self, factor: float) -> Belief:
        """The same belief in another unit, or of another lever."""
        return Belief(self.mean * factor, self.sd * abs(factor))


NONE = Belief(0.0, 0.0)
EVEN = (1.0, 1.0, 1.0, 1.0, 1.0)  # one factor for each coefficient


CREEP_FROM, CREEP_UNTIL, CREEP_TERMS = 1.0, 5000.0, 13  # [d], [d], [-]; from a day on, as it is quoted


def log_creep() -> tuple[tuple[float, float], ...]:
    """Creep by the logarithm of time as (share, tau [d]): log(1 + t / 1 d), up to fourteen years.

    Notes
    -----
    log(1 + t/a) is the integral of (1 - exp(-t/tau)) exp(-a/tau) over log tau; at even steps of log tau the
    sum is within 2 % of it from ten days to four years.
    """
    ratio = (CREEP_UNTIL / CREEP_FROM) ** (1.0 / (CREEP_TERMS - 1))
    taus = [CREEP_FROM * ratio**step for step in range(CREEP_TERMS)]
    weights = [exp(-CREEP_FROM / tau) for tau in taus]
    return tuple((weight / sum(weights), tau) for weight, tau in zip(weights, taus, strict=True))


def two_laws(*saturating: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Half of a settling that saturates, given as (share, tau [d]), and half of a creep with log time.

    Notes
    -----
    Both laws are quoted for new strings, plates and wood, and a site has too few new instruments to tell
    which is right; the wholes below were set so that the first year is that of the saturating law.
    """
    return tuple((share / 2.0, tau) for share, tau in (*saturating, *log_creep()))


@dataclass(frozen=True)
class ServicePrior:
    """How one kind of deviation grows, in its own unit.

    Attributes
    ----------
    components : tuple of (sign, tau [d])
        Wood whose lagged moistures are summed.
    moisture : Belief
        Per unit of moisture [unit].
    settling : Belief
        Whole of the settling of a new instrument [unit].
    hours : Belief
        Per thousand hours played [unit].
    cycling : Belief
        Per unit of moisture travelled up and down [unit].
    warmth : Belief
        Per kelvin of the room [unit].
    bedded : Belief
        Share of a gap closed by a bedding by which the fulcrum of the keys rises [-].
    scatter : tuple of 5 float
        Factors on the variance with which instruments differ: moisture, settling, hours, cycling, warmth [-].
    walk_day, walk_hour : float
        Random walk, per square root of a day and of an hour played [unit].
    start : Belief
        What a service leaves where nothing was measured after it [unit].
    left_sd, found_sd : float
        Error of a measured value after, and before, a service [unit].
    settle : tuple of (share, tau [d])
        Exponentials; see :func:`two_laws`.
    settle_fade : float
        What each service of this kind leaves of the settling to come [-].
    """

    components: tuple[tuple[float, float], ...]
    moisture: Belief
    settling: Belief
    hours: Belief
    cycling: Belief
    walk_day: float
    walk_hour: float
    start: Belief
    left_sd: float
    found_sd: float
    settle: tuple[tuple[float, float], ...] = ((1.0, 200.0),)
    settle_fade: float = 1.0
    bedded: Belief = Belief(0.5, 0.5)
    warmth: Belief = NONE
    scatter: tuple[float, ...] = EVEN


@dataclass(frozen=True)
class Lesson:
    """What a fleet's records teach of the prior of a kind of service; all ones and a zero teach nothing.

    Attributes
    ----------
    noise : tuple of 4 float
        Factors on variances: walk by days, walk by hours, error of values, share of a closed gap [-].
    scatter : tuple of 5 float
        See `ServicePrior`.
    bedded : float
        Shift of the share of a closed gap, in its prior standard deviations [-].
    wear : float
        How much harder an hour of playing is on instruments of one use class than the prior says [-].
    """

    noise: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0)
    scatter: tuple[float, ...] = EVEN
    bedded: float = 0.0
    wear: float = 1.0

    def applied(self, prior: ServicePrior) -> ServicePrior:
        """The prior with this lesson learned."""
        by_day, by_hour, error, gap = (factor**0.5 for factor in self.noise)
        return replace(
            prior,
            hours=prior.hours.times(self.wear),
            walk_day=prior.walk_day * by_day,
            walk_hour=prior.walk_hour * by_hour,
            start=Belief(prior.start.mean, prior.start.sd * error),
            left_sd=prior.left_sd * error,
            found_sd=prior.found_sd * error,
            bedded=Belief(prior.bedded.mean + self.bedded * prior.bedded.sd, prior.bedded.sd * gap),
            scatter=self.scatter,
        )


NO_LESSON = Lesson()

# Cents per point of humidity, mean over the registers: grand bass 0.2, tenor 0.8, middle 0.5, treble 0.3;
# harpsichord 1 to 4. Trade anecdotes; string mechanics give the sign only.
TUNING = ServicePrior(
    components=SOUNDBOARD,
    moisture=Belief(0.45, 0.20).times(PER_POINT),
    settling=Belief(-22.0, 9.0),  # cents, 16 in the first year; new strings and plate fall
    hours=Belief(-1.0, 1.0),
    cycling=NONE,
    walk_day=0.10,
    walk_hour=0.12,
    start=Belief(0.0, 0.5),
    left_sd=0.4,
    found_sd=0.4,
    warmth=Belief(-0.3, 0.3),  # between -0.18 where the frame goes with the wire and -2.05 for wire alone
    # Four to six tunings in the first year, three or four in the second
    settle=two_laws((0.7, 120.0), (0.3, 500.0)),
)
BEDDING = ServicePrior(
    components=FRAME_ABOVE_BED,
    moisture=Belief(3.0, 5.0),  # mm of gap per unit of moisture gradient; the sign differs by instrument
    settling=Belief(0.17, 0.09),  # 0.13 in the first year
    hours=Belief(0.005, 0.01),
    cycling=NONE,
    walk_day=0.0035,
    walk_hour=0.0015,
    start=Belief(0.0, 0.01),
    left_sd=0.01,
    found_sd=0.01,
    settle_fade=0.8,
    settle=two_laws((1.0, 200.0)),
)
REGULATION = ServicePrior(
    components=FRAME_ABOVE_BED,
    # mm of rail height per unit of gradient: half of the gap by which the frame has lifted, since a raised
    # balance rail raises the front of the keys and adds to the dip; `service_prior` applies the lever
    moisture=Belief(1.5, 2.0),
    settling=Belief(0.05, 0.05),  # felt gives way with playing, and a frame that settles is bedded; no source
    hours=Belief(0.15, 0.07),
    cycling=Belief(0.2, 0.1),
    walk_day=0.003,
    walk_hour=0.003,
    start=Belief(0.0, 0.03),
    left_sd=0.02,
    found_sd=0.02,
)
VOICING = ServicePrior(
    components=NO_WOOD,
    moisture=NONE,
    settling=NONE,
    hours=Belief(3.9, 1.3),
    cycling=NONE,
    walk_day=0.02,
    walk_hour=0.02,
    start=Belief(0.3, 0.15),
    left_sd=0.4,
    found_sd=0.4,
)

# Cents per point of humidity of bass, tenor, middle and treble of a grand; trade anecdotes
REGISTER_HUMIDITY = (0.2, 0.8, 0.5, 0.3)
REGISTER_SPREAD = "spread between registers"  # half the range of the registers' offsets
SPREAD = ServicePrior(
    components=SOUNDBOARD,
    moisture=Belief(0.30, 0.15).times(PER_POINT),  # half of 0.8 less 0.2
    settling=NONE,
    hours=NONE,
    cycling=NONE,
    walk_day=0.05,
    walk_hour=0.06,
    start=Belief(0.0, 0.4),
    left_sd=0.4,
    found_sd=0.4,
)

BY_SERVICE: Mapping[str, ServicePrior] = {
    REGISTER_SPREAD: SPREAD,
    "tuning": TUNING,
    "bedding": BEDDING,
    "regulation": REGULATION,
    "voicing": VOICING,
}
BY_KIND_AND_SERVICE: Mapping[tuple[str, str], ServicePrior] = {
    ("upright", "tuning"): replace(TUNING, moisture=Belief(0.35, 0.16).times(PER_POINT)),
    ("harpsichord", "tuning"): replace(
        TUNING,
        components=HARPSICHORD_BOARD,
        moisture=Belief(2.0, 0.9).times(PER_POINT),
        warmth=Belief(-0.9, 0.5),  # anecdote: 10 K colder, steel 5 to 11 cents sharper, brass bass 25 to 50
        walk_day=0.30,
        settling=Belief(-10.0, 6.0),
    ),
    ("fortepiano", "tuning"): replace(
        TUNING,
        components=FORTEPIANO_BOARD,
        moisture=Belief(1.0, 0.45).times(PER_POINT),
        warmth=Belief(-0.5, 0.4),
        walk_day=0.20,
        settling=Belief(-12.0, 6.0),
    ),
    ("celesta", "tuning"): replace(  # metal bars feel no damp
        TUNING,
        moisture=Belief(0.02, 0.02).times(PER_POINT),
        warmth=Belief(-0.1, 0.1),
        settling=NONE,
        walk_day=0.05,
        walk_hour=0.02,
    ),
    ("harpsichord", "voicing"): replace(VOICING, hours=Belief(6.0, 2.0)),  # quills wear sooner than felt
}

# How hard an hour of playing is on the action, by use class and kind of service [-]
INTENSITY: Mapping[str, Mapping[str, float]] = {
    "regulation": {"concert": 1.3, "recital": 1.15, "teaching": 1.0, "practice": 0.75, "store": 1.0},
    "voicing": {"concert": 2.0, "recital": 1.5, "teaching": 1.0, "practice": 0.6, "store": 1.0},
}

# An unknown kind of service wears with hours played, so that the median passes at the usual interval
UNKNOWN_HOURS_SHARE_SD = 0.4  # [-] of its wear
UNKNOWN_WALK_SHARE = 0.3  # [-] of the tolerance, walked in one interval
UNKNOWN_START_SHARE = 0.05  # [-] of the tolerance
UNKNOWN_LEAST_HOURS = 1.0  # [h/week]; things age a little even unplayed

OLD_YEARS, OLDER_YEARS, OLDER_WALK = 30.0, 80.0, 2.0  # walk variance grows from 1 to this factor between them


def service_prior(
    service: str,
    instrument_kind: str,
    use_class: str,
    *,
    tolerance: float,
    interval_days: float,
    hours_per_week: float,
    humidity_control: bool,
    lever: float,
) -> ServicePrior:
    """The prior of one instrument and service.

    Parameters
    ----------
    service, instrument_kind, use_class : str
        `instrument_kind` one of `KNOWN_KINDS`.
    tolerance : float
        [unit]
    interval_days : float
        [d]
    hours_per_week : float
        [h]
    humidity_control : bool
    lever : float
        Rise of the key front per rise of the balance rail [-].
    """
    known = BY_KIND_AND_SERVICE.get((instrument_kind, service)) or BY_SERVICE.get(service)
    if known is None:
        return _unknown(tolerance, interval_days, hours_per_week)
    prior = replace(known, hours=known.hours.times(INTENSITY.get(service, {}).get(use_class, 1.0)))
    if service == "regulation":
        moisture = prior.moisture.times(lever) if instrument_kind in SLIDING_FRAME else NONE
        prior = replace(prior, moisture=moisture)
    if humidity_control:
        prior = replace(prior, moisture=_coupled(prior.moisture), cycling=_coupled(prior.cycling))
    return prior


def _coupled(belief: Belief) -> Belief:
    """The belief times a coupling that is itself in doubt (exact mean and variance of the product)."""
    spread = belief.sd**2 * (CONTROL_COUPLING**2 + CONTROL_COUPLING_SD**2)
    spread += belief.mean**2 * CONTROL_COUPLING_SD**2
    return Belief(belief.mean * CONTROL_COUPLING, spread**0.5)


def _unknown(tolerance: float, interval_days: float, hours_per_week: float) -> ServicePrior:
    thousands = max(hours_per_week, UNKNOWN_LEAST_HOURS) / 7.0 * interval_days / 1000.0
    wear = tolerance / thousands
    return ServicePrior(
        components=NO_WOOD,
        moisture=NONE,
        settling=NONE,
        hours=Belief(wear, wear * UNKNOWN_HOURS_SHARE_SD),
        cycling=NONE,
        walk_day=UNKNOWN_WALK_SHARE * tolerance / interval_days**0.5,
        walk_hour=0.0,
        start=Belief(0.0, UNKNOWN_START_SHARE * tolerance),
        left_sd=UNKNOWN_START_SHARE * tolerance,
        found_sd=UNKNOWN_START_SHARE * tolerance,
    )


def walk_factor(age_years: float) -> float:
    """Factor on the variance of the walk of an old instrument (loose pins, worn bushings) [-]."""
    share = (age_years - OLD_YEARS) / (OLDER_YEARS - OLD_YEARS)
    return 1.0 + (OLDER_WALK - 1.0) * min(max(share, 0.0), 1.0)


def key_lever(front_mm: float, back_mm: float) -> float:
    """Rise of the key front per rise of the balance rail, the back rest fixed: (Lf + Lb) / Lb.

    Raises
    ------
    ValueError
        If only one length is given, or one is negative.

    Notes
    -----
    Similar triangles; exact for rigid keys. Both zero means not known: 220 and 110 mm are taken.
    """
    if front_mm == 0 and back_mm == 0:
        front_mm, back_mm = LEVER_FRONT_MM, LEVER_BACK_MM
    if not (front_mm > 0 and back_mm > 0):
        raise ValueError(
            f"key lengths {front_mm:g} and {back_mm:g} mm: give both, greater than zero, or none"
        )
    return (front_mm + back_mm) / back_mm
