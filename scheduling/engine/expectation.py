"""The closed form over a group of cases: since their last service, and after services to come."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.cases import Beliefs, Case, part_scale
from scheduling.engine.deviation import CYCLING, HOURS, MOISTURE, N_PARTS, SETTLING, WARMTH, settled
from scheduling.engine.fabric import Group
from scheduling.engine.outlook import (
    Span,
    out_probability,
    student_variance,
    variance_terms,
    variance_weights,
)
from scheduling.engine.priors import NONE

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

UNSETTLED_SHARE = 1e-3  # [-] of the settling to come, below which a case is taken as settled


@dataclass(frozen=True)
class Moments:
    """Mixture over time constants: probability of being out, mean and variance; all shape (m, n)."""

    p_out: Floats
    mean: Floats
    variance: Floats


def wood_change(group: Group, k: int, start: Days, end: Days) -> tuple[Floats, Floats]:
    """Mean and variance of the wood's change from each start to each end place; shapes (m, n)."""
    wood = group.woods[k]
    mean = wood.mean[end][None, :] - wood.mean[start][:, None]
    if not wood.components:
        return mean, np.zeros_like(mean)
    places = np.concatenate([start, end])
    root = wood.factor(places)
    begun, ended = root[: len(start)], root[len(start) :]  # einsum: threads of a matrix product cost more
    size = np.einsum("ij,ij->i", root, root)
    variance = (
        size[: len(start), None] + size[None, len(start) :] - 2.0 * np.einsum("ij,kj->ik", begun, ended)
    )
    return mean, np.maximum(variance, 0.0)


def settling_change(case: Case, start: Days | int, end: Days | int) -> Floats:
    """Share of the settling of a case that falls between two days, broadcast."""
    born = case.subject.in_service_day
    curve = case.prior.settle
    return settled(np.asarray(end, float) - born, curve) - settled(np.asarray(start, float) - born, curve)


def since_last(group: Group, cases: Sequence[Case], beliefs: Sequence[Beliefs], days: Days) -> Moments:
    """Deviation of each case of a group on some days if nothing more is done; 0 before its last service."""
    members = [cases[i] for i in group.members]
    last = np.array([case.last_day for case in members])
    start, end = group.place(last), group.place(days)
    shape = (len(members), len(days))
    parts = np.zeros((len(members), N_PARTS, len(days)))
    parts[:, HOURS] = group.playing_days[end] - group.playing_days[start][:, None]
    parts[:, CYCLING] = group.travel[end] - group.travel[start][:, None]
    parts[:, WARMTH] = group.warmth[end] - group.warmth[start][:, None]
    parts[:, SETTLING] = [settling_change(case, case.last_day, days) for case in members]
    elapsed = np.maximum(days[None, :] - last[:, None], 0).astype(float)
    jump_mean, jump_variance = _jumps(members, days)
    tolerance = np.array([case.subject.tolerance for case in members])[:, None]
    sums = Moments(np.zeros(shape), np.zeros(shape), np.zeros(shape))
    own = [beliefs[i] for i in group.members]
    for k in range(len(group.woods)):
        parts[:, MOISTURE], moved = wood_change(group, k, start, end)
        terms = variance_terms(Span(parts, moved, elapsed))
        centre, weights, share, degrees = _coefficients(members, own, k, "fade")
        mean = np.einsum("ip,ipn->in", centre, parts) + jump_mean
        mean += np.array([case.start_mean for case in members])[:, None]
        scale = np.einsum("iq,iqn->in", weights, terms) + jump_variance
        _add(sums, share, mean, scale, tolerance, degrees)
    sums.variance[...] -= sums.mean**2
    np.minimum(sums.p_out, 1.0, out=sums.p_out)  # shares sum to one but for rounding
    sums.p_out[days[None, :] < last[:, None]] = 0.0
    return sums


def _add(sums: Moments, share: Floats, mean: Floats, scale: Floats, limit: Floats, degrees: Floats) -> None:
    """Add one time constant's part; the variance is kept as a second moment until the end."""
    sums.p_out[...] += share * out_probability(mean, scale, limit, degrees)
    sums.mean[...] += share * mean
    sums.variance[...] += share * (student_variance(scale, degrees) + mean**2)


def _jumps(members: Sequence[Case], days: Days) -> tuple[Floats, Floats]:
    mean = np.zeros((len(members), len(days)))
    variance = np.zeros_like(mean)
    for i, case in enumerate(members):
        for day, size, sd in case.jumps:
            mean[i] += np.where(days >= day, size, 0.0)
            variance[i] += np.where(days >= day, sd**2, 0.0)
    return mean, variance


def _coefficients(
    members: Sequence[Case], own: Sequence[Beliefs], k: int, fade: str
) -> tuple[Floats, Floats, Floats, Floats]:
    """Means (m, 5), variance weights (m, 19), shares (m, 1) and degrees of freedom (m, 1) for a factor."""
    centre, weights = [], []
    for case, belief in zip(members, own, strict=True):
        scale = part_scale(case, getattr(case, fade))
        start_sd = case.start_sd if fade == "fade" else case.prior.start.sd
        centre.append(belief.mean[k] * scale)
        weights.append(variance_weights(case, belief, k, scale, start_sd))
    share = np.array([belief.weights[k] for belief in own])[:, None]
    degrees = np.array([2.0 * belief.shape[k] for belief in own])[:, None]
    return np.array(centre), np.array(weights), share, degrees


def after_service(
    group: Group, cases: Sequence[Case], beliefs: Sequence[Beliefs], service_days: Days, days: Days
) -> Floats:
    """Probability of being out after each service to come, shape (m, n_service_days, n_days)."""
    out = np.zeros((len(group.members), len(service_days), len(days)))
    s, d = np.nonzero(days[None, :] >= service_days[:, None])
    if not s.size:
        return out
    start, end = group.place(service_days), group.place(days)
    parts = np.zeros((N_PARTS, len(s)))
    parts[HOURS] = group.playing_days[end][d] - group.playing_days[start][s]
    parts[CYCLING] = group.travel[end][d] - group.travel[start][s]
    parts[WARMTH] = group.warmth[end][d] - group.warmth[start][s]
    elapsed = (days[d] - service_days[s]).astype(float)
    woods = [wood_change(group, k, start, end) for k in range(len(group.woods))]
    for rows, lone in _batches(group, cases, service_days, days):
        parts[SETTLING] = 0.0 if lone is None else settling_change(lone, service_days[s], days[d])
        members = [cases[group.members[row]] for row in rows]
        own = [beliefs[group.members[row]] for row in rows]
        tolerance = np.array([case.subject.tolerance for case in members])[:, None]
        start_mean = np.array([case.prior.start.mean for case in members])[:, None]
        p = np.zeros((len(rows), len(s)))
        for k, (change, moved) in enumerate(woods):
            parts[MOISTURE] = change[s, d]
            terms = variance_terms(Span(parts, moved[s, d], elapsed))
            centre, weights, share, degrees = _coefficients(members, own, k, "fade_next")
            mean = np.einsum("ip,pn->in", centre, parts) + start_mean
            scale = np.einsum("iq,qn->in", weights, terms)
            p += share * out_probability(mean, scale, tolerance, degrees)
        for row, values in zip(rows, np.minimum(p, 1.0), strict=True):
            out[row][s, d] = values
    return out


def _batches(
    group: Group, cases: Sequence[Case], service_days: Days, days: Days
) -> Iterator[tuple[NDArray[np.int64], Case | None]]:
    """Rows of a group that can be worked together: all settled cases, then each unsettled one alone."""
    settled_rows = []
    for row, i in enumerate(group.members):
        still = settling_change(cases[i], service_days.min(), days.max())
        if cases[i].prior.settling == NONE or abs(float(still)) * cases[i].fade_next < UNSETTLED_SHARE:
            settled_rows.append(row)
        else:
            yield np.array([row]), cases[i]
    if settled_rows:
        yield np.array(settled_rows), None
