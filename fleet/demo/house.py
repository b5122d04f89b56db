"""The rooms of the invented conservatory: an old dry house and a new hall, humidified in part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleet.demo.spec import FleetSpec

OLD, NEW = "Old House", "New Hall"
TIME_ZONE = "Europe/Vienna"

# Name, building, use, use class of what stands in it.
PUBLIC_ROOMS = (
    ("Great Hall", NEW, "concert hall", "concert"),
    ("Chamber Hall", NEW, "recital hall", "recital"),
    ("Early Music Room", OLD, "recital room", "recital"),
    ("Rehearsal Room", NEW, "rehearsal room", "teaching"),
    ("Instrument Store", OLD, "store", "store"),
)
STUDIO_SHARE = 0.4
NEW_HALL_SHARE = 0.35


@dataclass(frozen=True)
class RoomPlan:
    """One room and how it holds its air.

    Attributes
    ----------
    heated_to_c, setback_k : float
        Temperature while heated [degC] and how far it falls at night [K].
    exchange_hours : float
        Time in which room air follows outdoor air, buffering by walls and furniture included [h].
    moisture_source : float
        Water that people add to the air at full use, as humidity ratio [kg/kg].
    humidified_to, humidifier_share : float
        Relative humidity [fraction] aimed at and the share of what is missing that is made good.
    dried_to, dryer_share : float
        The same for summer.
    unrest : float
        Standard deviation of what doors and windows do to relative humidity [fraction].
    borrows_from : str
        The room whose air stands in for this one, which has no sensor; empty where it has one.
    """

    name: str
    building: str
    use: str
    use_class: str
    heated_to_c: float
    setback_k: float
    exchange_hours: float
    moisture_source: float
    humidified_to: float
    humidifier_share: float
    dried_to: float
    dryer_share: float
    unrest: float
    borrows_from: str = ""

    @property
    def has_sensor(self) -> bool:
        """Whether a sensor stands in the room."""
        return not self.borrows_from


def plan_rooms(spec: FleetSpec) -> tuple[RoomPlan, ...]:
    """Return the rooms of a fleet: the public ones, then studios and practice rooms of both buildings."""
    rng = spec.stream("rooms")
    listed = list(PUBLIC_ROOMS[: spec.n_rooms])
    listed += [everyday_room(number) for number in range(spec.n_rooms - len(listed))]
    rooms = [room_of(rng, *entry) for entry in listed]
    if spec.faults and len(rooms) > 6:
        rooms[-1] = without_sensor(rooms)
    return tuple(rooms)


def everyday_room(number: int) -> tuple[str, str, str, str]:
    """Return name, building, use and use class of the studio or practice room of a number."""
    studio = int((number + 1) * STUDIO_SHARE) > int(number * STUDIO_SHARE)
    new = int((number + 1) * NEW_HALL_SHARE) > int(number * NEW_HALL_SHARE)
    door = f"{'N' if new else 'H'}{100 * (1 + number % 3) + number // 3 + 1}"
    if studio:
        return f"Studio {door}", NEW if new else OLD, "studio", "teaching"
    return f"Practice {door}", NEW if new else OLD, "practice room", "practice"


def room_of(rng: np.random.Generator, name: str, building: str, use: str, use_class: str) -> RoomPlan:
    """Return a room with its own draw of how it holds its air; priors, common practice, no source."""
    old = building == OLD
    store = use_class == "store"
    return RoomPlan(
        name=name,
        building=building,
        use=use,
        use_class=use_class,
        heated_to_c=float(rng.normal(16.0 if store else 22.4 if old else 20.8, 0.5)),
        setback_k=float(rng.uniform(1.0, 2.5) if old else rng.uniform(0.3, 1.0)),
        exchange_hours=float(rng.uniform(5, 14) if old else rng.uniform(18, 40)),
        moisture_source=float(rng.uniform(0.0009, 0.0017) if old else rng.uniform(0.0009, 0.0014)),
        humidified_to=0.0 if old else float(rng.normal(0.43, 0.01)),
        humidifier_share=0.0 if old else float(rng.uniform(0.45, 0.75)),
        dried_to=0.62 if old else 0.56,
        dryer_share=0.3 if old else 0.75,
        unrest=0.025 if old else 0.010,
    )


def without_sensor(rooms: Sequence[RoomPlan]) -> RoomPlan:
    """Return the last room as one that borrows its air from a room of its building and use."""
    last = rooms[-1]
    neighbours = [room for room in rooms[:-1] if (room.building, room.use) == (last.building, last.use)]
    lender = (neighbours or [room for room in rooms[:-1] if room.building == last.building] or rooms)[-1]
    return RoomPlan(**{**vars(last), "borrows_from": lender.name})
