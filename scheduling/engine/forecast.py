"""The forecast of a fleet: when each instrument leaves its tolerance, how surely, and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from scheduling.engine.subjects import Days, Floats, Knock, Playing, Record, RoomAir, Stay, Subject

__all__ = [
    "Driver",
    "FleetModel",
    "Knock",
    "Outlook",
    "Playing",
    "Record",
    "RoomAir",
    "Stay",
    "Subject",
    "build_model",
]


@dataclass(frozen=True)
class Driver:
    """One reason of a forecast; the shares of an outlook add to one."""

    name: str
    share: float
    words: str


@dataclass(frozen=True)
class Outlook:
    """The forecast of one subject; the deviation is the true one, measurement error excluded.

    Attributes
    ----------
    out_now : float
        Probability of being out of tolerance today.
    p10, p50, p90 : int or None
        First day from today on that is out of tolerance, as quantiles; None beyond the horizon.
    days : int array, shape (n_weeks,)
        Mondays from today on, within the horizon.
    p_out, mean, sd : float array, shape (n_weeks,)
        At those days, if nothing more is done [-], [unit], [unit].
    learned_from : int
        Number of as-found values used.
    """

    instrument: str
    service: str
    unit: str
    tolerance: float
    last_service: int | None
    out_now: float
    p10: int | None
    p50: int | None
    p90: int | None
    days: Days
    p_out: Floats
    mean: Floats
    sd: Floats
    drivers: tuple[Driver, ...]
    learned_from: int
    mostly_prior: bool


class FleetModel:
    """A fleet whose air, wood and deviations have been worked out; asked for outlooks or probabilities."""

    subjects: tuple[Subject, ...]

    def outlooks(self, seed: int, progress: Callable[[int, int], None] | None = None) -> list[Outlook]:
        """Forecast every subject, in the order of `subjects`; `progress` is told (done, total)."""
        raise NotImplementedError

    def out_probability(self, service_days: Days, days: Days) -> tuple[Floats, Floats]:
        """Probability of being out of tolerance, since the last service and after a service to come.

        Returns
        -------
        since_last : float array, shape (n_subjects, n_days)
        after : float array, shape (n_subjects, n_service_days, n_days)
            0 where ``days[d] < service_days[s]``; free of NaN.
        """
        raise NotImplementedError


def build_model(
    rooms: Sequence[RoomAir],
    subjects: Sequence[Subject],
    playing: Playing,
    today: int,
    horizon_days: int = 365,
) -> FleetModel:
    """Work out air, wood and deviation for a fleet; `today` is a proleptic ordinal in local time."""
    raise NotImplementedError
