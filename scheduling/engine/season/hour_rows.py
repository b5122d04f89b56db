"""The hours of a season as rows of an integer programme, whoever's visits they limit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.capacity import Kinds
from scheduling.engine.season.problem import SeasonProblem

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class HourRows:
    """Rows ``lower <= visits_part @ x + counts_part @ z <= upper``.

    ``x`` are the programme's own variables; ``z`` counts visits by kind, week and person and is empty with
    one person. ``kind``, ``person`` and ``week`` describe each z; ``names`` each row.
    """

    visits_part: sparse.csr_matrix
    counts_part: sparse.csr_matrix
    lower: Floats
    upper: Floats
    kind: Ints
    person: Ints
    week: Ints
    names: tuple[str, ...]


def hour_rows(
    problem: SeasonProblem, kinds: Kinds, visits: sparse.csr_matrix, already: Ints | None = None
) -> HourRows:
    """Rows that keep every person's hours of every week.

    Parameters
    ----------
    problem : SeasonProblem
    kinds : Kinds
    visits : sparse matrix, shape (c * W, variables)
        Visits of kind k in week w (row k W + w - 1) that each variable stands for.
    already : ndarray of int, shape (c, W), optional
        Visits made whatever the variables say.

    Notes
    -----
    One person: sum of hours x visits <= hours of the week. Several: visits of kind k in week w = sum over
    able people of z[k, w, p], and sum over kinds of hours[k] z[k, w, p] <= hours[p, w]. Visits of one kind
    are alike, so counting them says the same as naming each one's person, with far fewer variables.
    """
    weeks = problem.weeks
    made = np.zeros((len(kinds.hours), weeks), dtype=np.int64) if already is None else already
    if len(problem.people) == 1:
        return _one_person(problem, kinds, visits, made)
    used = (np.diff(visits.indptr) > 0).reshape(len(kinds.hours), weeks) | (made > 0)
    kind, week, person = np.nonzero(used[:, :, None] & kinds.able[:, None, :])
    balance = np.flatnonzero(used.ravel())
    place = np.full(used.size, -1, dtype=np.int64)
    place[balance] = np.arange(len(balance))
    count = np.arange(len(kind))
    out = sparse.csr_matrix(
        (-np.ones(len(kind)), (place[kind * weeks + week], count)), (len(balance), len(kind))
    )
    people = len(problem.people)
    load = sparse.csr_matrix((kinds.hours[kind], (person * weeks + week, count)), (people * weeks, len(kind)))
    nothing = sparse.csr_matrix((people * weeks, visits.shape[1]))
    rest = -made.ravel()[balance].astype(float)
    names = [
        f"visits_{_length(kinds, int(b) // weeks)}_k{b // weeks + 1}_w{b % weeks + 1:02d}" for b in balance
    ]
    names += [f"hours_p{p + 1}_w{w + 1:02d}" for p in range(people) for w in range(weeks)]
    return HourRows(
        sparse.vstack([visits[balance], nothing], format="csr"),
        sparse.vstack([out, load], format="csr"),
        np.concatenate([rest, np.full(people * weeks, -np.inf)]),
        np.concatenate([rest, problem.hours.ravel()]),
        kind,
        person,
        week,
        tuple(names),
    )


def _one_person(problem: SeasonProblem, kinds: Kinds, visits: sparse.csr_matrix, made: Ints) -> HourRows:
    weeks, none = problem.weeks, np.zeros(0, dtype=np.int64)
    able = kinds.able[:, 0]
    lengths = np.where(able, kinds.hours, 0.0)
    fold = sparse.kron(sparse.csr_matrix(lengths[None, :]), sparse.identity(weeks), format="csr")
    return HourRows(
        sparse.csr_matrix(fold @ visits),
        sparse.csr_matrix((weeks, 0)),
        np.full(weeks, -np.inf),
        problem.hours[0] - kinds.hours @ made,
        none,
        none,
        none,
        tuple(f"hours_p1_w{w + 1:02d}" for w in range(weeks)),
    )


def _length(kinds: Kinds, kind: int) -> str:
    return f"{kinds.hours[kind]:g}h"
