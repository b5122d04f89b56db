"""Where an instrument stands after a look: what was measured and what was foreseen, by how sure each is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scheduling.engine.cases import Beliefs, Case, left_by, services_among, unrecorded_service
from scheduling.engine.fabric import Group
from scheduling.engine.findings import lay_out, span_between


def before_looks(case: Case) -> Case:
    """The case without the looks since the last work; itself where there are none."""
    records = case.subject.records
    known = len(records)
    while known and records[known - 1].only_measured:
        known -= 1
    if known == len(records):
        return case
    return replace(case, subject=replace(case.subject, records=records[:known]))


def weigh_looks(group: Group, case: Case, belief: Beliefs) -> Case:
    """The case as it stands after the looks since the last work, each weighed against what was foreseen.

    Parameters
    ----------
    group : Group
        Of the case.
    case : Case
        Its last record is a look.
    belief : Beliefs
        Before those looks.

    Notes
    -----
    One step of a Kalman filter for each look, over the deviation alone: a measured mark of a half is worth
    little against a tone that is well foreseen, a measured pitch nearly all. What a look tells of the
    coefficients is learned from its found value like that of any record; that the two errors hang together
    from then on is left out. Variances are per unit of the noise variance, as everywhere.

    References
    ----------
    R. E. Kalman, "A new approach to linear filtering and prediction problems", 1960.
    """
    records, prior = case.subject.records, case.prior
    known = len(before_looks(case).subject.records)
    if known:
        day, (mean, sd) = records[known - 1].day, left_by(records[known - 1], prior)
    else:
        day, sd = unrecorded_service(case.subject, records[0].day)
        mean = prior.start.mean
    services = services_among(records[:known])
    variance, error = sd**2, prior.found_sd**2
    for record in records[known:]:
        found = float(record.found or 0.0)
        span = replace(span_between(case, day, mean, services, record.day), start_variance=variance)
        row = lay_out(group, case, [span], [found], prior.found_sd)
        parts = row.parts[:, 0]
        moves = np.einsum("kp,kp->k", parts, belief.mean)
        moved = float(belief.weights @ moves)
        doubt = np.einsum("kp,kpq,kq->k", parts, belief.spread, parts) + (moves - moved) ** 2
        foreseen = float(belief.weights @ doubt) + float(row.noise[0]) - error
        trust = foreseen / (foreseen + error) if foreseen + error > 0 else 1.0
        mean = found - (1.0 - trust) * (float(row.values[0]) - moved)
        variance, day = trust * error, record.day
    return replace(case, start_mean=mean, start_sd=variance**0.5)
