"""What a new site starts with: common practice, no source, every figure editable afterwards."""

from __future__ import annotations

from dataclasses import dataclass

USE_CLASSES = ("concert", "recital", "teaching", "practice", "store")
USE_WEIGHT = dict(zip(USE_CLASSES, (8, 4, 2, 1, 0.1), strict=True))


@dataclass(frozen=True)
class KindDefault:
    """One kind of service: its unit, weight of a day out, usual hours, and figures by use class."""

    kind: str
    unit: str
    weight: float
    hours: float
    tolerances: tuple[float, ...]
    intervals_days: tuple[int, ...]
    instrument_kinds: tuple[str, ...] = ()
    shorter_beside: tuple[str, ...] = ()


# Taking the action out, carrying it to the bench and putting it back [h]: spared to a service that the same
# person does in the same week as one for which the action is out anyway. Common practice, no source.
ACTION_OUT_HOURS = 0.25

SERVICE_KINDS = (
    KindDefault("tuning", "cents", 1.0, 1.5, (2, 3, 4.5, 9, 20), (14, 35, 75, 150, 365)),
    KindDefault(
        "bedding",
        "mm",
        0.6,
        0.75,
        (0.05, 0.05, 0.10, 0.15, 0.30),
        (90, 150, 240, 365, 730),
        ("grand",),
        ("regulation",),
    ),
    KindDefault("regulation", "mm", 0.8, 6.0, (0.15, 0.20, 0.30, 0.50, 1.0), (180, 300, 450, 700, 1500)),
    KindDefault(
        "voicing", "mark", 0.5, 3.0, (1.5, 2, 3, 4.5, 7), (60, 120, 240, 400, 1500), (), ("regulation",)
    ),
)

# Hours played a week where nobody has said; common practice, no source.
HOURS_PLAYED_PER_WEEK = {"concert": 8, "recital": 10, "teaching": 25, "practice": 40, "store": 0}
# Glides and key levers of a grand where nobody has measured; common practice, no source.
GLIDES = 6
LEVER_FRONT_MM, LEVER_BACK_MM = 220.0, 110.0
