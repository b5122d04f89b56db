"""Collecting what is wrong with a folder, so that it is corrected in one go, up to a bound."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from fleet.refusal import AllRefused, Refused

MOST = 20


class Findings:
    """What is wrong so far; raises by itself when the bound is reached."""

    def __init__(self) -> None:
        self.found: list[Refused] = []

    def add(self, reason: Refused) -> None:
        """Keep a reason.

        Raises
        ------
        AllRefused
            Where there are enough of them to stop reading.
        """
        self.found.append(reason)
        if len(self.found) >= MOST:
            raise AllRefused(self.found, more=True)

    @contextmanager
    def collect(self) -> Iterator[None]:
        """Keep the reason for which the block stops, and go on after it."""
        try:
            yield
        except AllRefused:
            raise
        except Refused as reason:
            self.add(reason)

    def check(self) -> None:
        """Go on only where nothing was found.

        Raises
        ------
        AllRefused
            With everything found so far.
        """
        if self.found:
            raise AllRefused(self.found)
