"""What each invented instrument is like: its own sensitivities, wood and wear, drawn and kept secret.

All medians and spreads are priors of this generator (common practice, no source). They are not those of the
forecast, so that learning has something to find.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fleet import defaults
from fleet.demo.collection import Instrument
from fleet.demo.spec import FleetSpec, Floats
from fleet.demo.wood import Slabs

REGISTERS = ("bass", "tenor", "middle", "treble")
# Sensitivity by register; the mean offset that technicians write is the mean of the four.
REGISTER_SHARE = (0.40, 1.60, 1.00, 0.60)


@dataclass(frozen=True)
class KindNature:
    """Medians of one kind of instrument.

    Attributes
    ----------
    cents_per_moisture : pitch of the middle register for the board's moisture [cents per unit of moisture]
    cents_per_k : pitch for the warmth of the strings [cents/K]
    creep_cents : loss of pitch for a tenfold age [cents]
    walk_cents : what nobody can explain [cents per square root of a day]
    board_m : half the thickness of the soundboard [m]
    """

    cents_per_moisture: float
    cents_per_k: float
    creep_cents: float
    walk_cents: float
    board_m: float


KINDS = {
    "grand": KindNature(330.0, -0.30, 6.0, 0.13, 0.0045),
    "upright": KindNature(290.0, -0.25, 5.0, 0.14, 0.0042),
    "harpsichord": KindNature(1100.0, -0.70, 3.0, 0.30, 0.0016),
    "fortepiano": KindNature(650.0, -0.45, 4.0, 0.25, 0.0026),
    "celesta": KindNature(12.0, -0.10, 0.1, 0.01, 0.0040),
}
BOWS_OTHER_WAY = 0.2  # share of key beds under which damp air closes the contact
# How hard an hour of playing is on felt and hammers, by use class.
TOUCH_INTENSITY = {"concert": 2.5, "recital": 1.6, "teaching": 1.0, "practice": 0.8, "store": 0.5}
TONE_INTENSITY = {"concert": 5.0, "recital": 3.0, "teaching": 1.0, "practice": 0.6, "store": 0.5}


@dataclass(frozen=True)
class Natures:
    """What every instrument of a fleet is like; arrays by instrument unless said.

    Attributes
    ----------
    cents_per_moisture : shape (n, 4), by register [cents per unit of moisture]
    bend : how much stronger the pitch answers on the damp side than on the dry one [1 per unit of moisture]
    cents_per_k, creep_cents, cents_per_hour, walk_cents : see KindNature; wear by hours played
    shocks_per_day : knocks, moves and heavy hands [1/d]
    mm_per_moisture : gap for the frame's moisture less the bed's [mm per unit of moisture]
    settling_mm : gap for a tenfold age before the first bedding [mm]
    walk_gap_mm : [mm per square root of a day]
    dip_mm : dip for an hour played to the power 0.85 [mm]
    dip_per_cycling : dip for the frame's moisture gone up and down [mm per unit of moisture]
    dip_per_gap : dip for a gap under the frame
    walk_dip_mm : [mm per square root of a day]
    marks, marks_power : unevenness for hours played, and the power of the hours
    marks_per_moisture : unevenness for moisture away from that of the last voicing
    control : share of the room's swing that reaches the instrument past a fitted humidity control
    board, frame, bed : the wood
    """

    cents_per_moisture: Floats
    bend: Floats
    cents_per_k: Floats
    creep_cents: Floats
    cents_per_hour: Floats
    walk_cents: Floats
    shocks_per_day: Floats
    mm_per_moisture: Floats
    settling_mm: Floats
    walk_gap_mm: Floats
    dip_mm: Floats
    dip_per_cycling: Floats
    dip_per_gap: Floats
    walk_dip_mm: Floats
    marks: Floats
    marks_power: Floats
    marks_per_moisture: Floats
    control: Floats
    board: Slabs
    frame: Slabs
    bed: Slabs


def draw_natures(spec: FleetSpec, fleet: Sequence[Instrument]) -> Natures:
    """Return what every instrument of a fleet is like, from a stream of its own."""
    n = len(fleet)
    rng = spec.stream("natures")
    kinds = [KINDS[one.kind] for one in fleet]

    def about(median: float | Floats, spread: float) -> Floats:
        return np.asarray(median * rng.lognormal(0.0, spread, n))

    of_kind = {name: np.array([getattr(kind, name) for kind in kinds]) for name in vars(kinds[0])}
    touch = np.array([TOUCH_INTENSITY[one.use_class] for one in fleet])
    tone = np.array([TONE_INTENSITY[one.use_class] for one in fleet])
    middle = about(of_kind["cents_per_moisture"], 0.45)
    shares = np.array(REGISTER_SHARE) * rng.lognormal(0.0, 0.15, (n, len(REGISTERS)))
    power = rng.normal(1.15, 0.08, n)
    return Natures(
        cents_per_moisture=middle[:, None] * shares,
        bend=rng.normal(0.0, 5.0, n),
        cents_per_k=about(of_kind["cents_per_k"], 0.3),
        creep_cents=about(of_kind["creep_cents"], 0.3),
        cents_per_hour=about(-0.002, 0.4),
        walk_cents=about(of_kind["walk_cents"], 0.35),
        shocks_per_day=about(1 / 700, 0.5),
        mm_per_moisture=about(7.0, 0.5) * np.where(rng.random(n) < BOWS_OTHER_WAY, -1.0, 1.0),
        settling_mm=about(0.12, 0.4),
        walk_gap_mm=about(0.0025, 0.4),
        dip_mm=about(4e-4 * touch**0.85, 0.35),
        dip_per_cycling=about(0.3, 0.4),
        dip_per_gap=about(0.35 * lever_ratio(fleet), 0.2),
        walk_dip_mm=about(0.0020, 0.4),
        marks=about(3.0 * (tone / 860.0) ** power, 0.4),
        marks_power=power,
        marks_per_moisture=about(10.0, 0.3),
        control=np.array([0.25 if one.humidity_control else 1.0 for one in fleet]),
        board=slabs(about, of_kind["board_m"], 9e-9),
        frame=slabs(about, 0.011, 4e-8),
        bed=slabs(about, 0.019, 4e-8),
    )


def slabs(about: Callable[[float | Floats, float], Floats], half_m: float | Floats, surface: float) -> Slabs:
    """Return the pieces of wood of one sort: both faces open alike, so the middle is a plane of symmetry."""
    return Slabs(depth_m=about(half_m, 0.1), diffusivity=about(6e-11, 0.3), surface=about(surface, 0.4))


def lever_ratio(fleet: Sequence[Instrument]) -> Floats:
    """Return the gain of key front height for a rise of the balance rail."""
    front = np.array([one.lever_front_mm or defaults.LEVER_FRONT_MM for one in fleet])
    back = np.array([one.lever_back_mm or defaults.LEVER_BACK_MM for one in fleet])
    return np.asarray((front + back) / back)
