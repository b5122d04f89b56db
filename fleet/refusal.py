"""Why an input is not taken: the place, the value that was there, and what would be accepted."""

from __future__ import annotations

from collections.abc import Iterable

LONGEST_VALUE = 80


class Refused(Exception):
    """An input is not taken and nothing was changed; says where, what stood there and what is accepted.

    Parameters
    ----------
    message : what is wrong, in a few words
    file, line, column : where it stands; the line is the physical line of the file
    value : the text that stood there
    accepted : what would be taken instead
    """

    def __init__(
        self,
        message: str,
        *,
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
        value: object = None,
        accepted: str | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.file = file
        self.line = line
        self.column = column
        self.value = value
        self.accepted = accepted

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.file,
                f"line {self.line}" if self.line is not None else None,
                f"column {self.column}" if self.column is not None else None,
            )
            if part
        )
        said = f"{place}: {self.message}" if place else self.message
        if self.value is not None:
            said += f", found {shortened(str(self.value))!r}"
        return f"{said}; accepted: {self.accepted}" if self.accepted else said

    @property
    def parts(self) -> list[Refused]:
        """Every single reason; one here, more in :class:`AllRefused`."""
        return [self]


class AllRefused(Refused):
    """Several reasons at once, one a line, so that a file is corrected in one go."""

    def __init__(self, reasons: Iterable[Refused], *, more: bool = False) -> None:
        self._parts = list(reasons)
        super().__init__("\n".join(str(reason) for reason in self._parts))
        self.more = more

    def __str__(self) -> str:
        lines = [str(reason) for reason in self._parts]
        if self.more:
            lines.append(f"and more: only the first {len(lines)} are listed")
        return "\n".join(lines)

    @property
    def parts(self) -> list[Refused]:
        """Every single reason."""
        return self._parts


def shortened(text: str) -> str:
    """Return a value cut to a length that fits a message."""
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"
