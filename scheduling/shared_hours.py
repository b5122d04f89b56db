"""Services of one instrument that are shorter in the same week, since the action is out anyway."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from scheduling.engine.said import Figure, Said, Term, joined, worded
from scheduling.engine.season import Sharing
from scheduling.engine.season.sharing import MOST_TOGETHER
from scheduling.inputs import Line

# What a kind of service saves beside another of the same instrument [h].
Shares = Mapping[str, Mapping[str, float]]


def shared_hours(lines: Sequence[Line]) -> list[Sharing]:
    """Return which lines are shorter beside which others of their instrument.

    What a site has written down is taken as far as it can be meant: no pair counts both ways, and all that
    is shared on an instrument stays below its shortest service.
    """
    by_instrument: dict[int, dict[str, int]] = defaultdict(dict)
    for n, line in enumerate(lines):
        by_instrument[line.instrument_id][line.subject.service] = n
    found = []
    for services in by_instrument.values():
        pairs = _pairs(lines, services)
        together = {n for pair in pairs for n in pair}
        most = min((lines[n].hours for n in together), default=0.0) / (len(pairs) + 1)
        found += [Sharing(job, on, min(lines[job].shorter_by_hours, most)) for job, on in pairs]
    return found


def _pairs(lines: Sequence[Line], services: Mapping[str, int]) -> list[tuple[int, int]]:
    pairs: list[tuple[int, int]] = []
    together: set[int] = set()
    for job in services.values():
        for kind in lines[job].shorter_beside:
            on = services.get(kind)
            if on is None or on == job or (on, job) in pairs or len(together | {job, on}) > MOST_TOGETHER:
                continue
            pairs.append((job, on))
            together |= {job, on}
    return pairs


def beside(kind: str, others: Iterable[str], shares: Shares) -> tuple[str, float]:
    """Return beside which of the others a service is shortest, and by how many hours; "" and 0 for none."""
    known = shares.get(kind, {})
    found = [(known[other], other) for other in others if other in known]
    hours, other = max(found, default=(0.0, ""))
    return other, hours


def saved(kinds: Iterable[str], shares: Shares) -> float:
    """Return the hours that services save which one person does on one instrument in one week [h]."""
    together = list(kinds)
    return sum(beside(kind, together, shares)[1] for kind in together)


def in_words(kind: str, hours: float) -> str:
    """Say beside which service a visit is shorter, and by how much; nothing where it is not."""
    if not kind:
        return ""
    return worded(
        "The action is out for the %(kind)s anyway: %(hours)s h less.", kind=Term(kind), hours=Figure(hours)
    )


def without_words(reason: str) -> str:
    """Return a visit's reason without what it says about shared hours."""
    if not isinstance(reason, Said):
        return reason
    parts, words = reason.source.values, reason.source.words
    if set(parts) == {"kind", "hours"} and words.startswith("The action is out"):
        return ""
    if parts and words == " ".join(f"%({name})s" for name in parts):
        return joined(" ", [without_words(part) for part in parts.values() if isinstance(part, str)])
    return reason
