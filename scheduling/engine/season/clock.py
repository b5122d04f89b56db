"""How much of a search's time limit is left."""

import time
from collections.abc import Callable


class Clock:
    """Seconds gone and left; nothing is left once a stop was asked for."""

    def __init__(self, limit: float, must_stop: Callable[[], bool] | None = None) -> None:
        self.began, self.limit, self.must_stop = time.perf_counter(), limit, must_stop
        self.stopped = False

    def gone(self) -> float:
        """Seconds since the beginning."""
        return time.perf_counter() - self.began

    def left(self, share: float = 1.0) -> float:
        """Seconds left until a share of the limit, 0 when stopped."""
        return 0.0 if self.asked_to_stop() else max(0.0, share * self.limit - self.gone())

    def asked_to_stop(self) -> bool:
        """Whether a stop was asked for, now or before."""
        if not self.stopped and self.must_stop is not None:
            self.stopped = self.must_stop()
        return self.stopped
