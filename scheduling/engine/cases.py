"""A subject made ready: checked, with its prior, its last service and the belief about its coefficients."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine import priors
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING
from scheduling.engine.priors import NO_LESSON, Belief, Lesson, ServicePrior
from scheduling.engine.subjects import Record, Subject

Floats = NDArray[np.float64]

# Time constants are doubted on a grid of common factors, weighted by their log-normal prior
TAU_STEPS = np.array([-1.6, -0.8, 0.0, 0.8, 1.6])  # [standard deviations of the logarithm]
TAU_FACTORS = np.exp(priors.TAU_LOG_SD * TAU_STEPS)
TAU_WEIGHTS = np.exp(-0.5 * TAU_STEPS**2) / np.exp(-0.5 * TAU_STEPS**2).sum()

YEAR = 365.2425
UNUSUAL_SD = 3.0  # [standard deviations] from what a service usually leaves; a judgement


@dataclass(frozen=True)
class Beliefs:
    """What is believed of the five coefficients, for every time-constant factor of the grid.

    Attributes
    ----------
    weights : array, shape (k,)
        Probability of each factor of `TAU_FACTORS`.
    mean : array, shape (k, 5)
    spread : array, shape (k, 5, 5)
        Covariance of the coefficients per unit of noise variance.
    shape, scale : array, shape (k,)
        The noise variance factor is inverse gamma with this shape and rate ``shape * scale``; a deviation is
        then Student t with ``2 * shape`` degrees of freedom.
    learned_from : int
        As-found values used.
    """

    weights: Floats
    mean: Floats
    spread: Floats
    shape: Floats
    scale: Floats
    learned_from: int = 0


@dataclass(frozen=True)
class Case:
    """A subject with all that the forecast needs and that does not depend on the air.

    Attributes
    ----------
    last_day : int
        Of the last service, supposed where none was recorded.
    start_mean, start_sd : float
        Deviation that service left [unit].
    jumps : tuple of (day, mean, sd)
        Changes since by services of another kind [unit].
    walk_day, walk_hour : float
        Variance of the walk per day and per thousand hours played [unit^2].
    fade, fade_next : float
        Factor on settling since the last service, and after a service to come.
    thousands_per_day : float
        Thousand hours played per usual playing day.
    """

    subject: Subject
    prior: ServicePrior
    last_day: int
    start_mean: float
    start_sd: float
    jumps: tuple[tuple[int, float, float], ...]
    walk_day: float
    walk_hour: float
    fade: float
    fade_next: float
    thousands_per_day: float

    @property
    def serviced(self) -> bool:
        """Whether a service of this kind was ever recorded."""
        return bool(self.subject.records)

    @property
    def last_done(self) -> int | None:
        """Day of the last record of work done, else of the last look; None without a record."""
        records = self.subject.records
        done = [record for record in records if not record.only_measured] or records
        return done[-1].day if done else None


def prepare(subject: Subject, today: int, lesson: Lesson = NO_LESSON) -> Case:
    """Check a subject and make it ready, with its prior as a lesson has changed it.

    Raises
    ------
    ValueError
        Names instrument, value and likely cause.
    """
    check_subject(subject, today)
    prior = lesson.applied(prior_of(subject))
    last_day, start_mean, start_sd = _last_service(subject, prior, today)
    count = services_among(subject.records)
    age_factor = priors.walk_factor((today - subject.built_day) / YEAR)
    return Case(
        subject=subject,
        prior=prior,
        last_day=last_day,
        start_mean=start_mean,
        start_sd=start_sd,
        jumps=jumps_between(subject, prior.bedded, last_day, today),
        walk_day=prior.walk_day**2 * age_factor,
        walk_hour=prior.walk_hour**2 * 1000.0,
        fade=prior.settle_fade**count,
        fade_next=prior.settle_fade ** (count + 1),
        thousands_per_day=subject.hours_per_week / 7000.0,
    )


def kind_of(subject: Subject) -> str:
    """The known instrument kind whose priors apply; an upright where nothing is said."""
    for kind in (subject.instrument_kind, subject.behaves_like):
        if kind in priors.KNOWN_KINDS:
            return kind
    return "upright"


def prior_of(subject: Subject) -> ServicePrior:
    """The prior of a subject's instrument kind, service and use."""
    try:
        lever = priors.key_lever(subject.lever_front_mm, subject.lever_back_mm)
    except ValueError as error:
        raise ValueError(f"{subject.instrument}: {error}") from error
    prior = priors.service_prior(
        subject.service,
        kind_of(subject),
        subject.use_class,
        tolerance=subject.tolerance,
        interval_days=subject.interval_days,
        hours_per_week=subject.hours_per_week,
        humidity_control=subject.humidity_control,
        lever=lever,
    )
    return prior


def prior_beliefs(prior: ServicePrior) -> Beliefs:
    """Beliefs before any record: the same for every time constant."""
    coefficients = coefficients_of(prior)
    k = len(TAU_FACTORS) if prior.components else 1
    mean = np.array([belief.mean for belief in coefficients])
    spread = np.diag(own_and_shared(prior).sum(axis=0))
    return Beliefs(
        weights=TAU_WEIGHTS.copy() if prior.components else np.ones(1),
        mean=np.tile(mean, (k, 1)),
        spread=np.tile(spread, (k, 1, 1)),
        shape=np.full(k, priors.SHAPE),
        scale=np.full(k, (priors.SHAPE - 1.0) / priors.SHAPE),  # so that the noise variance factor averages 1
    )


def coefficients_of(prior: ServicePrior) -> list[Belief]:
    """Beliefs in the order of every coefficient vector."""
    return [prior.moisture, prior.settling, prior.hours, prior.cycling, prior.warmth]


def own_and_shared(prior: ServicePrior) -> Floats:
    """Variance of the coefficients: an instrument's own, its like's, its site's; shape (3, 5) [unit^2]."""
    variance = np.square([belief.sd for belief in coefficients_of(prior)])
    scatter = np.array(prior.scatter)
    shares = [priors.OWN_SHARE * scatter, priors.GROUP_SHARE * scatter, np.full(N_PARTS, priors.SITE_SHARE)]
    return np.array(shares) * variance


def part_scale(case: Case, fade: float) -> Floats:
    """Turns the shared clocks into a case's own parts: per unit moisture, faded settling, thousand hours."""
    scale = np.ones(N_PARTS)
    scale[SETTLING], scale[HOURS] = fade, case.thousands_per_day
    scale[MOISTURE] = scale[CYCLING] = 1.0
    return scale


def _last_service(subject: Subject, prior: ServicePrior, today: int) -> tuple[int, float, float]:
    if not subject.records:
        day, sd = unrecorded_service(subject, today)
        return day, prior.start.mean, sd
    last = subject.records[-1]
    return (last.day, *left_by(last, prior))


def unrecorded_service(subject: Subject, before: int) -> tuple[int, float]:
    """Day of the service before any on record, as it is supposed, and standard deviation of what it left.

    Parameters
    ----------
    before : int
        Day before which no service of this kind is on record.

    Notes
    -----
    Whoever writes down other services of an instrument would have written down this one: it lies before the
    first record of any kind, half an interval if such services come at their intervals, and no less than an
    interval back. An instrument that came from its maker lately was set up there. Half and whole interval are
    priors: common practice, no source.
    """
    came, interval = min(subject.in_service_day, before), round(subject.interval_days)
    if still_new(subject, before):
        return came, priors.NEW_SHARE * subject.tolerance
    supposed = min(before - interval, watched_since(subject, before) - interval // 2)
    return max(supposed, came), priors.NEVER_SERVED_SHARE * subject.tolerance


def watched_since(subject: Subject, before: int) -> int:
    """Day of the first record of any kind, or `before` where there is none earlier."""
    firsts = [rows[0].day for rows in (subject.records, *subject.related.values()) if rows]
    return min([before, *firsts])


def still_new(subject: Subject, today: int) -> bool:
    """Whether an instrument came from its maker, not long ago, so that nobody need have served it yet."""
    from_maker = subject.in_service_day - subject.built_day < priors.NEW_WITHIN_YEARS * YEAR
    return from_maker and today - subject.in_service_day < priors.NEW_FOR_YEARS * YEAR


def left_by(record: Record, prior: ServicePrior) -> tuple[float, float]:
    """Mean and standard deviation of the true deviation that a service left [unit].

    Notes
    -----
    Normal posterior of what services usually leave and of the value measured afterwards. A value that no
    usual service leaves was left on purpose, or for want of time: it counts as it was written. So does what
    was only looked at and left as found.
    """
    usual = prior.start
    if record.left is None:
        return usual.mean, usual.sd
    if record.only_measured:
        return record.left, prior.found_sd
    total = usual.sd**2 + prior.left_sd**2
    if not total or abs(record.left - usual.mean) > UNUSUAL_SD * total**0.5:
        return record.left, prior.left_sd
    share = usual.sd**2 / total
    return usual.mean + share * (record.left - usual.mean), share**0.5 * prior.left_sd


def services_among(records: Iterable[Record]) -> int:
    """How many of the records are of work done, not of a look alone."""
    return sum(not record.only_measured for record in records)


def jumps_between(
    subject: Subject, bedded: Belief, after: int, until: int
) -> tuple[tuple[int, float, float], ...]:
    """Changes of key dip by beddings after day `after`, up to `until`: (day, mean, sd) [mm].

    Notes
    -----
    A bedding that closes a gap raises the keys' fulcrum by a part of it, and the dip by the lever ratio times
    that (front rises, front stop fixed). The part is between none and all of the gap until records tell
    otherwise: half, give or take half.
    Where the gap was not measured, as much as a bedding usually finds is doubted.
    """
    out = []
    for day, closed in gaps_closed(subject, after, until):
        doubt = abs(closed) if closed is not None else _lever(subject) * UNMEASURED_GAP_MM
        out.append((day, bedded.mean * (closed or 0.0), bedded.sd * doubt))
    return tuple(out)


def gaps_closed(subject: Subject, after: int, until: int) -> list[tuple[int, float | None]]:
    """Days of beddings between services, with the gap closed times the lever [mm], None if not measured.

    Notes
    -----
    Only what had opened by the service before counts: that service set the dip with it, whereas a gap that
    opens and is closed again afterwards leaves the dip as it was. Gaps are taken to open evenly since the
    bedding before, and all of it before the service where no such bedding is on record. A service that is
    itself only supposed, such as the maker's, is supposed to have begun with a bedding, as it should. A look
    that left the gap as it was closes nothing, but tells how far it had opened by the service.
    """
    if subject.service != "regulation":
        return []
    out: list[tuple[int, float | None]] = []
    recorded = any(record.day == after for record in subject.records)
    bedding = None if recorded else Record(after, None, None)
    for record in subject.related.get("bedding", ()):
        if after < record.day <= until and record.only_measured:
            bedding = Record(after, None, _opened(bedding, record, after))
            continue
        if after < record.day <= until:
            out.append((record.day, _closed(bedding, record, after)))
        bedding = record
    return [(day, None if gap is None else _lever(subject) * gap) for day, gap in out]


def _closed(before: Record | None, bedding: Record, service: int) -> float | None:
    """Gap that a bedding closed, as far as it had opened by an earlier service [mm]."""
    opened = _opened(before, bedding, service)
    return None if opened is None else opened - (bedding.left or 0.0)


def _opened(before: Record | None, look: Record, service: int) -> float | None:
    """Gap that stood open at an earlier service, from what was found at a look after it [mm]."""
    if look.found is None or before is None:
        return look.found
    began = before.left or 0.0
    share = (service - before.day) / (look.day - before.day) if service > before.day else 0.0
    return began + share * (look.found - began)


def _lever(subject: Subject) -> float:
    return priors.key_lever(subject.lever_front_mm, subject.lever_back_mm)


UNMEASURED_GAP_MM = 0.05  # usual gap a bedding finds; prior: common practice, no source


def check_subject(subject: Subject, today: int) -> None:
    """Refuse what cannot be forecast.

    Raises
    ------
    ValueError
        Names instrument, value and likely cause.
    """
    name = f"{subject.instrument} ({subject.service})"
    for label, value, least in (
        ("tolerance", subject.tolerance, 1e-9),
        ("interval_days", subject.interval_days, 1.0),
        ("hours_per_week", subject.hours_per_week, 0.0),
    ):
        if not (math.isfinite(value) and value >= least):
            raise ValueError(f"{name}: {label} {value:g} must be at least {least:g}; missing or mistyped?")
    if subject.hours_per_week > 168:
        raise ValueError(
            f"{name}: {subject.hours_per_week:g} hours a week is more than there are; hours a year?"
        )
    _check_records(name, subject.records, today)
    days = [stay.from_day for stay in subject.stays]
    if any(later <= earlier for earlier, later in zip(days, days[1:], strict=False)):
        raise ValueError(f"{name}: stays must rise by day; two placements overlap?")


def _check_records(name: str, records: tuple[Record, ...], today: int) -> None:
    before = 0
    for record in records:
        if record.day < before:
            raise ValueError(f"{name}: record of day {record.day} comes after day {before}; not sorted?")
        if record.day > today:
            raise ValueError(
                f"{name}: record of day {record.day} lies after today ({today}); planned, not done?"
            )
        for value in (record.found, record.left, *record.registers):
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{name}: value {value} on day {record.day} is not a number; empty cell?")
        before = record.day
