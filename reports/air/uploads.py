"""What the page of a file of readings shows: what was recognised, what is asked, what would be stored."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from django.utils.formats import date_format
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.local_time import EPOCH
from fleet.models import ReadingsUpload, Room, UploadState
from fleet.oddcsv import choices as say
from fleet.oddcsv.choices import choices_of
from fleet.oddcsv.stamps import day_of
from fleet.oddcsv.text import ENCODINGS
from fleet.upload_trial import RoomTrial, Trial, trial_of
from fleet.uploads import AT_REST, path_of, unsaid
from reports.figures import Figure, Series

SAMPLES = 3
AT_WORK = (UploadState.WAITING, UploadState.CHECKING, UploadState.STORING)
MEANING_WORDS: dict[str, str | Promise] = {
    say.IGNORE: gettext_lazy("not needed"),
    say.STAMP: gettext_lazy("date and time"),
    say.DATE: gettext_lazy("date"),
    say.CLOCK: gettext_lazy("time of day"),
    say.CELSIUS: gettext_lazy("temperature, °C"),
    say.FAHRENHEIT: gettext_lazy("temperature, °F"),
    say.PERCENT: gettext_lazy("relative humidity, %"),
    say.FRACTION: gettext_lazy("relative humidity, fraction of 1"),
    say.ROOM: gettext_lazy("room"),
}
ORDER_WORDS: dict[str, str | Promise] = {
    "ymd": gettext_lazy("year, month, day"),
    "dmy": gettext_lazy("day, month, year"),
    "mdy": gettext_lazy("month, day, year"),
    "epoch": gettext_lazy("seconds from 1970"),
}
DELIMITER_WORDS: dict[str, str | Promise] = {
    ",": gettext_lazy("comma"),
    ";": gettext_lazy("semicolon"),
    "\t": gettext_lazy("tab"),
    "|": gettext_lazy("bar"),
}
DECIMAL_WORDS: dict[str, str | Promise] = {".": gettext_lazy("point, 45.1"), ",": gettext_lazy("comma, 45,1")}
QUESTIONS: dict[str, str | Promise] = {
    "time": gettext_lazy("Which column says when: one with date and time, or one of each?"),
    "order": gettext_lazy(
        "In which order do day, month and year stand? The dates of this file allow several."
    ),
    "temperature": gettext_lazy("Which column is the temperature, and is it in °C or °F?"),
    "humidity": gettext_lazy(
        "Which column is the relative humidity, and is it in percent or a fraction of 1?"
    ),
    "twice": gettext_lazy("Two columns cannot mean the same: leave out all but one of them."),
    "room": gettext_lazy("In which room did the logger stand?"),
}


@dataclass(frozen=True)
class Column:
    """A column of the file: its place, its name, its first values, and what it is taken for."""

    place: int
    name: str
    samples: list[str]
    meaning: str

    @property
    def needed(self) -> bool:
        """Whether it is taken for something."""
        return self.meaning != say.IGNORE


@dataclass(frozen=True)
class Option:
    """One of several choices, as a form shows it."""

    value: str
    words: str
    chosen: bool


@dataclass(frozen=True)
class UploadPage:
    """Everything the page of one file shows."""

    upload: ReadingsUpload
    open: bool
    working: bool
    columns: list[Column]
    questions: list[str]
    trial: Trial | None
    options: dict[str, list[Option]]
    leave_out: bool

    @property
    def needed(self) -> list[Column]:
        """The columns that are taken for something, or all where nothing was recognised."""
        return [column for column in self.columns if column.needed] or self.columns

    @property
    def others(self) -> list[Column]:
        """The columns that are not needed."""
        return [column for column in self.columns if column not in self.needed]

    @property
    def asks_of_columns(self) -> bool:
        """Whether a question is about the columns, so that all of them are shown."""
        return bool({"time", "temperature", "humidity", "twice"} & self.asked)

    @property
    def asked(self) -> set[str]:
        """The names of what has still to be said."""
        return {name for name, _why in unsaid(self.upload)} if self.open else set()

    @property
    def ready(self) -> bool:
        """Whether it can be stored as it was said."""
        return self.trial is not None and self.trial.refusal is None

    @property
    def largest(self) -> RoomTrial | None:
        """The room with the most readings, of which the figure is drawn."""
        rooms = self.trial.rooms if self.trial else []
        return max(rooms, key=lambda one: int(one.days.readings.sum()), default=None)


def upload_page(upload: ReadingsUpload, now: datetime) -> UploadPage:
    """Return what the page of a file shows; a file that lies there is read anew."""
    is_open = upload.state in AT_REST and path_of(upload).exists()
    choices = choices_of(upload.choices)
    questions = [str(QUESTIONS[name]) for name, _why in unsaid(upload)] if is_open else []
    return UploadPage(
        upload=upload,
        open=is_open,
        working=upload.state in AT_WORK,
        columns=_columns(upload, choices.meanings),
        questions=questions,
        trial=trial_of(upload, now) if is_open and not questions else None,
        options=_options(upload, choices) if is_open else {},
        leave_out=choices.leave_out,
    )


def _columns(upload: ReadingsUpload, meanings: tuple[str, ...]) -> list[Column]:
    rows = [cells for _line, cells in upload.head["rows"]]
    return [
        Column(place, name, [cells[place] for cells in rows[:SAMPLES] if len(cells) > place], meaning)
        for place, (name, meaning) in enumerate(zip(upload.head["header"], meanings, strict=False))
    ]


def _options(upload: ReadingsUpload, choices: say.Choices) -> dict[str, list[Option]]:
    """Return the choices of the form by name, those that are made marked."""
    orders = upload.head["orders"] or list(ORDER_WORDS)
    rooms = Room.objects.of_site(upload.site).order_by("building", "name")
    return {
        "order": [Option(one, _order(one, upload.head["example"]), one == choices.order) for one in orders],
        "decimal": _worded(DECIMAL_WORDS, choices.decimal),
        "clock": [Option(one, _clock(one, upload), one == choices.clock) for one in say.CLOCKS],
        "room": [Option(str(room.pk), _place(room), room.pk == upload.room_id) for room in rooms],
        "encoding": [Option(one, one.upper(), one == choices.encoding) for one in ENCODINGS],
        "delimiter": _worded(DELIMITER_WORDS, choices.delimiter),
        "header_line": [Option(str(choices.header_line), str(choices.header_line), True)],
        "meaning": [Option(value, str(words), False) for value, words in MEANING_WORDS.items()],
    }


def _place(room: Room) -> str:
    return ", ".join(filter(None, (room.name, room.building)))


def _worded(words: dict[str, Any], chosen: str) -> list[Option]:
    return [Option(value, str(said), value == chosen) for value, said in words.items()]


def _order(order: str, example: str) -> str:
    days = day_of(example, order) if example else None
    said = str(ORDER_WORDS[order])
    if days is None:
        return said
    day = date_format(date.fromordinal(EPOCH.toordinal() + days), "j F Y")
    return _("%(order)s: %(text)s is %(day)s") % {"order": said, "text": example, "day": day}


def _clock(clock: str, upload: ReadingsUpload) -> str:
    if clock == say.SITE_CLOCK:
        zone = upload.site.time_zone
        return _("the wall clock of the site, summer and winter time (%(zone)s)") % {"zone": zone}
    if clock == say.UTC_CLOCK:
        return _("UTC all year")
    if clock == say.WRITTEN_CLOCK:
        return _("the offset written in every row")
    return _("UTC%(offset)s all year, never changed") % {"offset": clock}


def trial_figure(trial: RoomTrial, today: date) -> Figure:
    """Draw what would be stored of one room, day by day."""
    days = trial.days
    dates = [date.fromordinal(EPOCH.toordinal() + int(day)).isoformat() for day in days.days]
    mean, low, high = (_percents(days.rh[:, place]) for place in range(3))
    doubtful = [place for place in range(len(dates)) if days.doubtful[place]]
    series = [
        Series("band", _("lowest to highest of the day"), dates, high, low),
        Series("mean", _("mean of the day"), dates, mean),
        Series(
            "found",
            _("days with doubtful readings"),
            [dates[place] for place in doubtful],
            [mean[place] if mean[place] is not None else 0.0 for place in doubtful],
        ),
    ]
    return Figure(
        title=_("What would be stored of %(room)s?") % {"room": trial.room.name},
        axis=_("relative humidity"),
        unit="%",
        digits=0,
        first=dates[0],
        last=max(dates[-1], dates[0]),
        today=today.isoformat(),
        series=series,
    )


def _percents(values: Any) -> list[float | None]:
    return [None if np.isnan(value) else round(100 * float(value), 2) for value in values]
