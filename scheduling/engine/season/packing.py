"""Who makes which visit of a week: whole visits into the hours of the people able to make them."""

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.capacity import SLACK_HOURS
from scheduling.engine.season.solver import IntegerProgramme, solve_integer

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SEARCH_SECONDS = 1.0
"""Longest search for the people of one week [s]."""


def pack(able: Bools, length: Floats, hours: Floats, must: Bools) -> tuple[Ints, Floats]:
    """Give each visit to a person.

    Parameters
    ----------
    able : ndarray of bool, shape (k, P)
        Who can make each visit.
    length : ndarray, shape (k,)
        Hours of each visit [h]; the first visits matter most.
    hours : ndarray, shape (P,)
        Hours of each person [h].
    must : ndarray of bool, shape (k,)
        Visits to be placed before any other.

    Returns
    -------
    people : ndarray of int, shape (k,)
        Person of each visit, -1 where no hours are left.
    left : ndarray, shape (P,)
        Hours left over [h].

    Notes
    -----
    In the order given to the person with the least hours that suffice; then the longest and least shareable
    first; then, where people differ and some visit is still left out, by a small integer programme.
    """
    people = _fit(able, length, hours, np.arange(len(length)))
    if len(hours) > 1 and (people < 0).any():
        other = _fit(able, length, hours, np.lexsort((-length, able.sum(axis=1), ~must)))
        if (other < 0).any():
            other = _search(able, length, hours, must)
        if (other[must] >= 0).all() and (
            (people[must] < 0).any() or (other >= 0).sum() > (people >= 0).sum()
        ):
            people = other
    placed = people >= 0
    used = np.bincount(people[placed], weights=length[placed], minlength=len(hours))
    return people, hours - used


def _fit(able: Bools, length: Floats, hours: Floats, order: Ints) -> Ints:
    people, left = np.full(len(length), -1, dtype=np.int64), hours.astype(float).copy()
    for visit in order:
        enough = able[visit] & (left >= length[visit] - SLACK_HOURS)
        if enough.any():
            person = int(np.where(enough, left, np.inf).argmin())
            people[visit] = person
            left[person] -= length[visit]
    return people


def _search(able: Bools, length: Floats, hours: Floats, must: Bools) -> Ints:
    """Place as many visits as possible, those that must be first, alike visits counted together."""
    table = np.column_stack([length, must, able])
    kinds, kind = np.unique(table, axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    of, person = np.nonzero(kinds[:, 2:])
    if not len(of):
        return np.full(len(length), -1, dtype=np.int64)
    number = np.arange(len(of))
    count = sparse.csr_matrix((np.ones(len(of)), (of, number)), (len(kinds), len(of)))
    load = sparse.csr_matrix((kinds[of, 0], (person, number)), (len(hours), len(of)))
    worth = np.where(kinds[:, 1] > 0, len(length) + 1.0, 1.0)
    upper = np.concatenate([np.bincount(kind, minlength=len(kinds)).astype(float), hours])
    programme = IntegerProgramme(
        -worth[of],
        sparse.vstack([count, load], format="csc"),
        np.full(len(upper), -np.inf),
        upper,
        np.full(len(of), np.inf),
        np.ones(len(of), dtype=bool),
    )
    answer = solve_integer(programme, SEARCH_SECONDS)
    people = np.full(len(length), -1, dtype=np.int64)
    if answer.x is not None:
        for amount, row, who in zip(np.rint(answer.x).astype(int), of, person, strict=True):
            waiting = np.flatnonzero((kind == row) & (people < 0))[:amount]
            people[waiting] = who
    return people
