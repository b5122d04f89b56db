"""The season as one network-flow integer programme: every arc a variable, every rule a row."""

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.hour_rows import HourRows, hour_rows
from scheduling.engine.season.pricing import Pricing
from scheduling.engine.season.solver import IntegerProgramme

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Arcs:
    """The arcs of a flow model: job, start node, end node and cost of each."""

    job: Ints
    start: Ints
    end: Ints
    cost: Floats


@dataclass(frozen=True)
class FlowModel:
    """The programme: arcs (the first variables), then bundles by week, then counts of visits; and names."""

    programme: IntegerProgramme
    arcs: Arcs
    bundle: Ints
    bundle_week: Ints
    hours: HourRows
    rows: tuple[str, ...]
    columns: tuple[str, ...]

    def visits(self, x: Floats, size: int, weeks: int) -> Bools:
        """Visits (n, W) of a solution."""
        taken = np.flatnonzero((x[: len(self.arcs.job)] > 0.5) & (self.arcs.end <= weeks))
        visits = np.zeros((size, weeks), dtype=bool)
        visits[self.arcs.job[taken], self.arcs.end[taken] - 1] = True
        return visits


def all_arcs(pricing: Pricing, most: Floats | None = None, reduced: list[Floats] | None = None) -> Arcs:
    """Allowed arcs of every job; with ``reduced`` costs per end node, only those up to ``most`` per job."""
    jobs, starts, ends, costs = [], [], [], []
    for step, table in enumerate(pricing.table.arcs):
        keep = np.isfinite(table)
        if reduced is not None and most is not None:
            keep &= reduced[step] <= most[:, None]
        job, start = np.nonzero(keep)
        jobs.append(job)
        starts.append(start)
        ends.append(np.full(len(job), step + 1))
        costs.append(table[job, start])
    return Arcs(np.concatenate(jobs), np.concatenate(starts), np.concatenate(ends), np.concatenate(costs))


def flow_model(pricing: Pricing, arcs: Arcs, names: bool = False, reward: Floats | None = None) -> FlowModel:
    """Build the programme: one unit of flow per job, hours per person and week, order rules.

    ``reward`` (m, W) [weighted d] is what each bundle saves where the hours are paid for instead of limited.

    Notes
    -----
    path:  for each job, one arc leaves node 0; at each week's node arcs in = arcs out.
    hours: see ``hour_rows``.
    order: visits of the conditional job in week w <= arcs of the deciding job that pass week w and allow it.
    share: bundles that take a visit in week w <= arcs of its job that end there.
    """
    problem, weeks = pricing.problem, pricing.problem.weeks
    flow, supply, flow_names = _flow_rows(arcs, len(problem.jobs), weeks)
    chosen = np.flatnonzero(arcs.end <= weeks)
    week = arcs.end[chosen] - 1
    kind = pricing.kinds.of_job[arcs.job[chosen]]
    shape = (len(pricing.kinds.hours) * weeks, len(arcs.job))
    made = sparse.csr_matrix((np.ones(len(chosen)), (kind * weeks + week, chosen)), shape)
    bundle, bundle_week = _bundles(pricing, arcs, reward)
    hours = hour_rows(problem, pricing.kinds, pricing.bundling.columns(bundle, bundle_week, made))
    order, order_names = _order_rows(pricing, arcs)
    linked, taken, link_names = _link_rows(pricing, arcs, bundle, bundle_week)
    split = len(arcs.job)
    matrix = sparse.bmat(
        [
            [flow, None, None],
            [hours.visits_part[:, :split], hours.visits_part[:, split:], hours.counts_part],
            [order, None, None],
            [linked, taken, None],
        ],
        format="csc",
    )
    counts, few = hours.counts_part.shape[1], order.shape[0] + linked.shape[0]
    saved = np.zeros(len(bundle)) if reward is None else reward[bundle, bundle_week]
    most = np.concatenate([np.ones(split + len(bundle)), np.full(counts, np.inf)])
    programme = IntegerProgramme(
        np.concatenate([arcs.cost, -saved, np.zeros(counts)]),
        matrix,
        np.concatenate([supply, hours.lower, np.full(few, -np.inf)]),
        np.concatenate([supply, hours.upper, np.zeros(few)]),
        most,
        np.ones(len(most), dtype=bool),
    )
    model = FlowModel(programme, arcs, bundle, bundle_week, hours, (), ())
    if not names:
        return model
    rows = (*flow_names, *hours.names, *order_names, *link_names)
    return replace(model, rows=rows, columns=_column_names(pricing, model))


def _bundles(pricing: Pricing, arcs: Arcs, reward: Floats | None) -> tuple[Ints, Ints]:
    """Bundles and weeks (from 0) in which arcs of every job end."""
    weeks = pricing.problem.weeks
    ending = np.zeros((pricing.table.size + 1, weeks + 2), dtype=bool)
    ending[arcs.job, arcs.end] = True
    ending[-1] = True
    bundling = pricing.bundling
    there = bundling.possible & ending[:, 1:-1][bundling.member].all(axis=1)
    bundle, week = np.nonzero(there if reward is None else there & (reward > 0))
    return bundle, week


def _link_rows(
    pricing: Pricing, arcs: Arcs, bundle: Ints, week: Ints
) -> tuple[sparse.csr_matrix, sparse.csr_matrix, list[str]]:
    """Bundles that take a visit less the arcs that end in it."""
    jobs, when, taken = pricing.bundling.links(bundle, week)
    row = np.full((pricing.table.size, pricing.problem.weeks + 2), -1, dtype=np.int64)
    row[jobs, when + 1] = np.arange(len(jobs))
    place = row[arcs.job, arcs.end]
    arc = np.flatnonzero(place >= 0)
    linked = sparse.csr_matrix((-np.ones(len(arc)), (place[arc], arc)), (len(jobs), len(arcs.job)))
    return linked, taken, [f"share_{job + 1}_w{day + 1:02d}" for job, day in zip(jobs, when, strict=True)]


def _flow_rows(arcs: Arcs, size: int, weeks: int) -> tuple[sparse.csr_matrix, Floats, list[str]]:
    nodes = weeks + 1
    out = arcs.job * nodes + arcs.start
    inner = np.flatnonzero(arcs.end <= weeks)
    into = arcs.job[inner] * nodes + arcs.end[inner]
    count = np.arange(len(arcs.job))
    table = sparse.csr_matrix((np.ones(len(out)), (out, count)), (size * nodes, len(out)))
    table = table - sparse.csr_matrix((np.ones(len(inner)), (into, inner)), table.shape)
    supply = np.zeros((size, nodes))
    supply[:, 0] = 1.0
    keep = np.flatnonzero((np.diff(table.indptr) > 0) | (supply.ravel() > 0))
    names = [
        f"path_{row // nodes + 1}_{'start' if row % nodes == 0 else f'w{row % nodes:02d}'}" for row in keep
    ]
    return sparse.csr_matrix(table[keep]), supply.ravel()[keep], names


def _order_rows(pricing: Pricing, arcs: Arcs) -> tuple[sparse.csr_matrix, list[str]]:
    weeks = pricing.problem.weeks
    by_job = np.argsort(arcs.job, kind="stable")
    first = np.searchsorted(arcs.job[by_job], np.arange(pricing.table.size + 1))
    rows, columns, values = [], [], []
    names: list[str] = []
    for rule, (job, on) in enumerate(zip(pricing.rule_job, pricing.rule_on, strict=True)):
        made, deciding = by_job[first[job] : first[job + 1]], by_job[first[on] : first[on + 1]]
        for week in range(1, weeks + 1):
            visits = made[arcs.end[made] == week]
            passing = deciding[(arcs.start[deciding] <= week) & (week < arcs.end[deciding])]
            allows = passing[pricing.allowed[rule, arcs.start[passing], week - 1]]
            if not len(visits) or len(allows) == len(passing):
                continue
            rows.append(np.full(len(visits) + len(allows), len(names)))
            columns.append(np.concatenate([visits, allows]))
            values.append(np.concatenate([np.ones(len(visits)), -np.ones(len(allows))]))
            names.append(f"order_{rule + 1}_w{week:02d}")
    if not names:
        return sparse.csr_matrix((0, len(arcs.job))), []
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.csr_matrix(entries, (len(names), len(arcs.job))), names


def _column_names(pricing: Pricing, model: FlowModel) -> tuple[str, ...]:
    """Job and the two nodes an arc joins; jobs and week of a bundle; kind, person and week of a count."""
    labels, arcs, hours = job_labels(pricing), model.arcs, model.hours
    nodes = ["start", *(f"w{week:02d}" for week in range(1, pricing.problem.weeks + 1)), "end"]
    paths = [
        f"go_{labels[job]}_{nodes[start]}_{nodes[end]}"
        for job, start, end in zip(arcs.job, arcs.start, arcs.end, strict=True)
    ]
    counts = [
        f"by_k{kind + 1}_p{person + 1}_w{week + 1:02d}"
        for kind, person, week in zip(hours.kind, hours.person, hours.week, strict=True)
    ]
    member = pricing.bundling.member
    together = [
        "_".join(["share", *(str(job + 1) for job in member[number] if job >= 0), f"w{week + 1:02d}"])
        for number, week in zip(model.bundle, model.bundle_week, strict=True)
    ]
    return tuple(paths + together + counts)


def job_labels(pricing: Pricing) -> list[str]:
    """Number, service and instrument of each job in characters that any solver reads."""
    return [
        re.sub(r"[^A-Za-z0-9.-]+", "-", f"{index + 1}.{job.service}.{job.instrument}")
        for index, job in enumerate(pricing.problem.jobs)
    ]
