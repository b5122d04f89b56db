"""Who works at the invented conservatory: three technicians, an administrator and a reader."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from fleet.demo.spec import FleetSpec, Timeline

MAIL_DOMAIN = "halvermoor.example"  # RFC 2606 keeps .example free of real hosts
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri")
HOURS_ARE_FOR = 60  # instruments that the hours below are meant for


@dataclass(frozen=True)
class Colleague:
    """One person as the papers have it.

    Attributes
    ----------
    days : tuple of int
        Working days, 0 for Monday.
    skills : tuple of str
        Kinds of service; empty means all.
    leaves_empty : float
        Share of this person's records without a found value.
    """

    name: str
    role: str
    hours_per_week: float = 0.0
    days: tuple[int, ...] = (0, 1, 2, 3, 4)
    skills: tuple[str, ...] = ()
    hour_cost: float | None = None
    by_contract: bool = False
    leaves_empty: float = 0.0

    @property
    def email(self) -> str:
        """An address that reaches nobody."""
        return f"{self.name.lower().replace(' ', '.')}@{MAIL_DOMAIN}"

    def can_do(self, kind: str) -> bool:
        """Return whether the person does this kind of service."""
        return not self.skills or kind in self.skills


@dataclass(frozen=True)
class Away:
    """Days on which somebody does not work, both included."""

    name: str
    first: date
    last: date


LEAD = Colleague("Mirel Oskane", "technician", 13, hour_cost=48, leaves_empty=0.05)
SECOND = Colleague(
    "Tobin Harle", "technician", 6, (0, 2, 3), ("tuning", "bedding"), hour_cost=41, leaves_empty=0.15
)
CONTRACTOR = Colleague(
    "Jessa Quell",
    "technician",
    4,
    (1, 3),
    ("tuning", "voicing"),
    hour_cost=72,
    by_contract=True,
    leaves_empty=0.35,
)
ADMINISTRATOR = Colleague("Corin Vasey", "administrator")
READER = Colleague("Anneth Dorrow", "reader")


def staff(spec: FleetSpec) -> tuple[Colleague, ...]:
    """Return the people of a fleet; technicians' hours grow with the number of instruments."""
    share = spec.n_instruments / HOURS_ARE_FOR
    technicians = [
        Colleague(**{**vars(one), "hours_per_week": max(round(2 * one.hours_per_week * share) / 2, 0.5)})
        for one in (LEAD, SECOND, CONTRACTOR)
    ]
    return (*technicians, ADMINISTRATOR, READER)


def absences(line: Timeline) -> tuple[Away, ...]:
    """Return who is away: two weeks that lie ahead, and two that lie behind."""
    ahead = line.today + timedelta(days=56 - line.today.weekday())
    behind = line.today - timedelta(days=252 + line.today.weekday())
    return (
        Away(SECOND.name, ahead, ahead + timedelta(days=11)),
        Away(LEAD.name, behind, behind + timedelta(days=11)),
    )
