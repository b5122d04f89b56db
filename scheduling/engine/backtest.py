"""How well the forecast would have done: each found value, given only what was known before."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from scheduling.engine.cases import Beliefs, Case, prepare
from scheduling.engine.expectation import since_last
from scheduling.engine.fabric import Group, weave
from scheduling.engine.findings import earliest_finding, span_from
from scheduling.engine.learning import learn
from scheduling.engine.subjects import Playing, RoomAir, Subject

Floats = NDArray[np.float64]

FIRST_SHARE = 0.3  # of the records is there to learn from before the first fold; a judgement
FEWEST_LIKE = 5  # past values a baseline needs before it trusts a narrower group
LIKE_ELAPSED = 1.5  # factor either way within which elapsed times are alike


@dataclass(frozen=True)
class Score:
    """Over some pairs of forecast and found value.

    Attributes
    ----------
    pairs : int
    coverage80 : float
        Share of found values inside the 80 % interval [-].
    crps : float
        Mean continuous ranked probability score [unit]; over several kinds, in tolerances.
    fixed_interval, seasonal_mean : float
        The same of the two baselines.
    """

    pairs: int
    coverage80: float
    crps: float
    fixed_interval: float
    seasonal_mean: float


@dataclass(frozen=True)
class Past:
    """A found value, where it stands (`place` of the subject, `index` of the record), and its like."""

    place: int
    index: int
    service: str
    use_class: str
    day: int
    elapsed: int
    found: float
    tolerance: float

    @property
    def quarter(self) -> int:
        """Quarter of the calendar year, 0 to 3."""
        return (date.fromordinal(self.day).month - 1) // 3


@dataclass(frozen=True)
class Pair:
    """One scored forecast."""

    past: Past
    inside80: bool
    crps: float
    fixed_interval: float
    seasonal_mean: float


@dataclass(frozen=True)
class Backtest:
    """Scores by kind of service in its own unit, and over all in tolerances, and what they are made of."""

    folds: int
    overall: Score
    by_service: Mapping[str, Score]
    scored: tuple[Pair, ...]


def crps_normal(observed: Floats | float, mean: Floats | float, sd: Floats | float) -> Floats:
    """Continuous ranked probability score of a normal forecast [unit].

    References
    ----------
    T. Gneiting and A. Raftery, "Strictly proper scoring rules, prediction, and estimation", JASA 102, 2007,
    section 4.2.
    """
    z = (np.asarray(observed) - mean) / sd
    density = np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    return np.asarray(sd * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi)), float)


def crps_sample(observed: float, sample: Floats) -> float:
    """Continuous ranked probability score of an empirical distribution [unit].

    References
    ----------
    T. Gneiting and A. Raftery, 2007, Eq. 21.
    """
    ranked = np.sort(sample)
    n = len(ranked)
    spread = 2.0 * float(np.sum((2 * np.arange(1, n + 1) - n - 1) * ranked)) / n**2
    return float(np.mean(np.abs(ranked - observed))) - spread / 2.0


def backtest(
    rooms: Sequence[RoomAir],
    subjects: Sequence[Subject],
    playing: Playing,
    folds: int,
    progress: Callable[[int, int], None] | None = None,
) -> Backtest:
    """Roll an origin through a site's records and score every found value after it.

    Parameters
    ----------
    rooms, subjects, playing
        As for a forecast; all that is known now.
    folds : int
        Number of origins, so placed that each fold holds as many values.
    progress : callable, optional
        Told (folds done, folds).

    Returns
    -------
    Backtest

    Raises
    ------
    ValueError
        If there are fewer found values than folds.

    Notes
    -----
    At an origin everything is learned anew from readings and values up to that day; the weather after it is
    the season's. A value of the fold is forecast from its own last service, even if that fell within the
    fold: its date was known before the value. The forecast is scored as a normal with the mean and variance
    of the mixture, measuring error included. Baselines know the found values up to the origin; a value with
    fewer than `FEWEST_LIKE` of its kind before the origin is not scored: they would have nothing to say.
    """
    pasts = found_values(subjects)
    first = int(len(pasts) * FIRST_SHARE)
    if folds < 1 or len(pasts) - first < folds:
        raise ValueError(f"{len(pasts)} found values are too few for {folds} folds; record what is found")
    pairs: list[Pair] = []
    for done, part in enumerate(np.array_split(np.arange(first, len(pasts)), folds), start=1):
        origin = pasts[part[0]].day - 1
        known = [past for past in pasts if past.day <= origin]
        wanted = [pasts[i] for i in part if _count(known, pasts[i].service) >= FEWEST_LIKE]
        if wanted:
            pairs += _score_fold(rooms, subjects, playing, origin, known, wanted)
        if progress is not None:
            progress(done, folds)
    if not pairs:
        raise ValueError(f"no kind of service has {FEWEST_LIKE} found values before the first fold")
    return _summary(folds, pairs)


def found_values(subjects: Sequence[Subject]) -> list[Past]:
    """All values found after an earlier service, by day."""
    out = []
    for place, subject in enumerate(subjects):
        for index in range(1, len(subject.records)):
            before, record = subject.records[index - 1], subject.records[index]
            if record.found is not None and record.day > before.day:
                out.append(
                    Past(
                        place=place,
                        index=index,
                        service=subject.service,
                        use_class=subject.use_class,
                        day=record.day,
                        elapsed=record.day - before.day,
                        found=record.found,
                        tolerance=subject.tolerance,
                    )
                )
    return sorted(out, key=lambda past: (past.day, past.place))


def _count(known: Sequence[Past], service: str) -> int:
    return sum(past.service == service for past in known)


def _as_known(subject: Subject, origin: int) -> Subject:
    """The subject without what happened after the origin; where it stands was planned and stays."""
    return replace(
        subject,
        records=tuple(record for record in subject.records if record.day <= origin),
        related={
            kind: tuple(record for record in records if record.day <= origin)
            for kind, records in subject.related.items()
        },
        knocks=tuple(knock for knock in subject.knocks if knock.day <= origin),
    )


def _score_fold(
    rooms: Sequence[RoomAir],
    subjects: Sequence[Subject],
    playing: Playing,
    origin: int,
    known: Sequence[Past],
    wanted: Sequence[Past],
) -> list[Pair]:
    cases = [prepare(_as_known(subject, origin), origin) for subject in subjects]
    horizon = wanted[-1].day - origin
    fabric = weave(rooms, cases, playing, origin, horizon, earliest_finding(cases, origin))
    groups = fabric.groups(cases)
    learned = learn(groups, cases, origin)
    pairs = []
    for group in groups:
        own = [past for past in wanted if past.place in group.members]
        if own:
            asked = [
                _from_last_service(learned.cases[past.place], subjects[past.place], past) for past in own
            ]
            means, sds = _predict(
                group,
                asked,
                [learned.beliefs[past.place] for past in own],
                np.array([past.day for past in own]),
            )
            pairs += [_pair(past, mean, sd, known) for past, mean, sd in zip(own, means, sds, strict=True)]
    return pairs


def _from_last_service(case: Case, subject: Subject, past: Past) -> Case:
    """The case as it stood between the service before a found value and that value."""
    whole = replace(case, subject=subject)
    span = span_from(whole, subject.records[past.index - 1], past.index, past.day)
    return replace(
        whole,
        last_day=span.start,
        start_mean=span.start_mean,
        start_sd=(span.start_variance + span.jump_variance) ** 0.5,
        jumps=(),
        fade=span.fade,
    )


def _predict(
    group: Group, asked: Sequence[Case], beliefs: Sequence[Beliefs], ends: NDArray[np.int64]
) -> tuple[list[float], list[float]]:
    """Mean and standard deviation of what would be found, each case on its own day."""
    days, which = np.unique(ends, return_inverse=True)
    moments = since_last(replace(group, members=tuple(range(len(asked)))), asked, beliefs, days)
    means, sds = [], []
    for row, (case, belief) in enumerate(zip(asked, beliefs, strict=True)):
        noise = float(belief.weights @ (belief.scale * belief.shape / (belief.shape - 1.0)))
        variance = moments.variance[row, which[row]] + noise * case.prior.found_sd**2
        means.append(float(moments.mean[row, which[row]]))
        sds.append(float(variance**0.5))
    return means, sds


def _pair(past: Past, mean: float, sd: float, known: Sequence[Past]) -> Pair:
    return Pair(
        past=past,
        inside80=abs(past.found - mean) <= float(ndtri(0.9)) * sd,
        crps=float(crps_normal(past.found, mean, sd)),
        fixed_interval=crps_sample(past.found, fixed_interval(past, known)),
        seasonal_mean=float(crps_normal(past.found, *seasonal_mean(past, known))),
    )


def fixed_interval(past: Past, known: Sequence[Past]) -> Floats:
    """Baseline: values found in that kind and use class at a like elapsed time, else a wider group."""

    def alike(other: Past) -> bool:
        return 1.0 / LIKE_ELAPSED <= other.elapsed / past.elapsed <= LIKE_ELAPSED

    return _narrowest(past, known, alike)


def seasonal_mean(past: Past, known: Sequence[Past]) -> tuple[float, float]:
    """Baseline: mean and standard deviation by kind, use class and quarter, else the nearest wider group."""
    sample = _narrowest(past, known, lambda other: other.quarter == past.quarter)
    return float(sample.mean()), max(float(sample.std(ddof=1)), 1e-9 * past.tolerance)


def _narrowest(past: Past, known: Sequence[Past], alike: Callable[[Past], bool]) -> Floats:
    of_kind = [other for other in known if other.service == past.service]
    of_use = [other for other in of_kind if other.use_class == past.use_class]
    for group in ([other for other in of_use if alike(other)], of_use):
        if len(group) >= FEWEST_LIKE:
            return np.array([other.found for other in group])
    return np.array([other.found for other in of_kind])


def _summary(folds: int, pairs: Sequence[Pair]) -> Backtest:
    services = sorted({pair.past.service for pair in pairs})
    by_service = {
        service: _score([pair for pair in pairs if pair.past.service == service], in_tolerances=False)
        for service in services
    }
    return Backtest(folds, _score(pairs, in_tolerances=True), by_service, tuple(pairs))


def _score(pairs: Sequence[Pair], *, in_tolerances: bool) -> Score:
    size = np.array([pair.past.tolerance if in_tolerances else 1.0 for pair in pairs])

    def mean_of(name: str) -> float:
        return float(np.mean(np.array([getattr(pair, name) for pair in pairs]) / size))

    return Score(
        pairs=len(pairs),
        coverage80=float(np.mean([pair.inside80 for pair in pairs])),
        crps=mean_of("crps"),
        fixed_interval=mean_of("fixed_interval"),
        seasonal_mean=mean_of("seasonal_mean"),
    )
