"""Season by season: a year's work over the wood's moisture, so that one sees why it falls where it falls."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
from django.db.models import Avg, Min
from django.http import QueryDict
from django.utils.formats import date_format, number_format
from django.utils.translation import gettext as _

from fleet.models import ClimateDay, Service, Site
from fleet.weeks import monday_before, mondays, week_of
from reports.figures import EIGHTY_PERCENT
from reports.queries.hours import NONE, Planned, by_week, done_hours, planned_hours
from reports.tables import Line, Sheet
from scheduling.engine.priors import SOUNDBOARD_TAU
from scheduling.engine.wood_year import wood_year
from scheduling.models import SeasonPlan
from scheduling.saying import day_style

FIRST_MONTH = 8  # a year of work goes from August to July, as schools and halls count it
STRETCH = 6  # weeks in a row that are compared
OLDEST = 30  # years that can be chosen
# Change of moisture over such a stretch that is worth a word [fraction]; common practice, no source.
LEAST_CHANGE = 0.002


@dataclass(frozen=True)
class YearWeek:
    """One week: moisture of the wood on its Monday [fraction], its change to the next, hours by kind [h].

    A week is ``covered`` where a plan reaches it.
    """

    monday: date
    moisture: float
    low: float
    high: float
    change: float
    measured: bool
    planned: dict[str, Decimal]
    done: dict[str, Decimal]
    gone: bool
    covered: bool

    @property
    def work(self) -> dict[str, Decimal]:
        """What was done in a week gone by, what is planned from this one on."""
        return self.done if self.gone else self.planned

    @property
    def known(self) -> bool:
        """Whether its work is on record or planned."""
        return self.gone or self.covered

    @property
    def planned_total(self) -> Decimal:
        """Of all kinds."""
        return sum(self.planned.values(), NONE)

    @property
    def done_total(self) -> Decimal:
        """Of all kinds."""
        return sum(self.done.values(), NONE)


@dataclass(frozen=True)
class Stretch:
    """Six weeks in a row: how far the wood goes in them [fraction], their shares of the hours known.

    ``known`` says whether the work of all of them is on record or planned.
    """

    first: date
    last: date
    change: float
    shares: dict[str, float]
    known: bool


@dataclass(frozen=True)
class SeasonLeaf:
    """A year of work: its weeks, the kinds of service there are, and the years that can be chosen."""

    year: int
    years: list[int]
    kinds: list[str]
    weeks: list[YearWeek]
    today: date
    air: bool

    @property
    def name(self) -> str:
        """The year in words, such as 2026/27."""
        return year_name(self.year)

    @property
    def choices(self) -> list[tuple[int, str]]:
        """The years with their names."""
        return [(year, year_name(year)) for year in self.years]

    @property
    def hours(self) -> dict[str, Decimal]:
        """The year's work by kind."""
        return {kind: sum((week.work.get(kind, NONE) for week in self.weeks), NONE) for kind in self.kinds}

    @property
    def lines(self) -> list[tuple[YearWeek, list[tuple[Decimal, Decimal]]]]:
        """Each week with planned and done of every kind, for the table."""
        return [
            (week, [(week.planned.get(kind, NONE), week.done.get(kind, NONE)) for kind in self.kinds])
            for week in self.weeks
        ]

    @property
    def drying(self) -> Stretch | None:
        """The stretch in which the wood dries most, None where it hardly does."""
        return self._stretch(-1)

    @property
    def damping(self) -> Stretch | None:
        """The stretch in which it takes up most."""
        return self._stretch(1)

    def _stretch(self, sign: int) -> Stretch | None:
        changes = np.array([week.change for week in self.weeks])
        sums = sign * np.convolve(changes, np.ones(STRETCH), "valid")
        place = int(np.argmax(sums))
        if sums[place] < LEAST_CHANGE:
            return None
        inside, hours = self.weeks[place : place + STRETCH], self.hours
        shares = {
            kind: float(sum((week.work.get(kind, NONE) for week in inside), NONE) / hours[kind])
            for kind in self.kinds
            if hours[kind]
        }
        return Stretch(
            inside[0].monday,
            inside[-1].monday + timedelta(days=6),
            sign * float(sums[place]),
            shares,
            all(week.known for week in inside),
        )

    @property
    def sentences(self) -> list[str]:
        """What is seen, reckoned from the numbers of the table."""
        even = STRETCH / max(sum(week.known for week in self.weeks), STRETCH)
        dries = _("The wood dries fastest from %(first)s to %(last)s, by %(points)s points.")
        swells = _("It takes up most from %(first)s to %(last)s, by %(points)s points.")
        stretches = (self.drying, dries), (self.damping, swells)
        found = [_stretch_words(stretch, words, even) for stretch, words in stretches if stretch]
        busiest = max(self.weeks, key=lambda week: sum(week.work.values(), NONE))
        most = sum(busiest.work.values(), NONE)
        if most:
            told = {
                "day": date_format(busiest.monday, day_style("long")),
                "hours": number_format(most.normalize()),
            }
            found.append(_("The fullest week is that of %(day)s with %(hours)s hours.") % told)
        return found

    def figure(self) -> dict[str, Any] | None:
        """Return the moisture with its band above, the hours by service below, on one axis of weeks."""
        percent = [[round(100 * value, 2) for value in row] for row in self._moistures()]
        return {
            "form": "season",
            "title": _("Why does the work fall where it falls?"),
            "first": self.weeks[0].monday.isoformat(),
            "last": (self.weeks[-1].monday + timedelta(days=6)).isoformat(),
            "today": self.today.isoformat(),
            "x": [week.monday.isoformat() for week in self.weeks],
            "moisture": percent[0],
            "low": percent[1],
            "high": percent[2],
            "measured": [week.measured for week in self.weeks],
            "kinds": self.kinds,
            "work": [[float(week.work.get(kind, NONE)) for week in self.weeks] for kind in self.kinds],
            "planned_then": [
                float(week.planned_total) if week.gone and week.covered else None for week in self.weeks
            ],
            "words": {
                "moisture": _("moisture of the wood"),
                "measured": _("wood, from readings"),
                "expected": _("wood, expected"),
                "band": _("80 % of what may come"),
                "hours": _("work"),
                "planned_then": _("planned then"),
            },
        }

    def _moistures(self) -> tuple[list[float], list[float], list[float]]:
        weeks = self.weeks
        return [w.moisture for w in weeks], [w.low for w in weeks], [w.high for w in weeks]

    def sheet(self) -> Sheet:
        """Return week by week the moisture and the hours."""
        head: Line = [
            *("week", "monday", "wood moisture, %", "low_10, %", "high_90, %", "air"),
            *(f"{kind} {words}, h" for kind in self.kinds for words in ("planned", "done")),
        ]
        lines: list[Line] = [
            [
                *(week_of(week.monday), week.monday),
                *(_percent(value) for value in (week.moisture, week.low, week.high)),
                "read" if week.measured else "expected",
                *(cell for pair in hours for cell in pair),
            ]
            for week, hours in self.lines
        ]
        return Sheet(_("season by season"), [head, *lines])


def _stretch_words(stretch: Stretch, words: str, even: float) -> str:
    told = {
        "first": date_format(stretch.first, day_style("day")),
        "last": date_format(stretch.last, day_style("long")),
        "points": number_format(round(100 * abs(stretch.change), 1), 1),
    }
    begins = words % told
    if not stretch.known:
        return _("%(begins)s No plan reaches all of these weeks yet.") % {"begins": begins}
    if not stretch.shares:
        return begins
    shares = [f"{_(kind)} {_whole_percent(share)}" for kind, share in stretch.shares.items()]
    whole = _(
        "%(begins)s In these six weeks fall, of the hours known of the year: %(shares)s; evenly %(even)s."
    )
    return whole % {"begins": begins, "shares": ", ".join(shares), "even": _whole_percent(even)}


def _whole_percent(share: float) -> str:
    return f"{100 * share:.0f}\N{NO-BREAK SPACE}%"


def year_of(day: date) -> int:
    """Return the year of work in which a day lies, by the calendar year in which it began."""
    return day.year if day.month >= FIRST_MONTH else day.year - 1


def year_name(year: int) -> str:
    """Write a year of work, such as 2026/27."""
    return f"{year}/{(year + 1) % 100:02d}"


def season_leaf(site: Site, asked: QueryDict, today: date) -> SeasonLeaf:
    """Gather a year's air and work; eight queries whatever the size of the fleet."""
    years = _years(site, today)
    wanted = asked.get("year", "")
    now = year_of(today)
    year = int(wanted) if wanted.isdecimal() and len(wanted) == 4 and int(wanted) in years else now
    start = monday_before(date(year, FIRST_MONTH, 1) + timedelta(days=3))
    number = (monday_before(date(year + 1, FIRST_MONTH, 1) + timedelta(days=3)) - start).days // 7
    weeks = mondays(start, number)
    days = _air(site, today)
    plans = planned_hours(site, start, number)
    planned = plans.hours
    done = by_week(done_hours(site, start, start + timedelta(weeks=number, days=-1)))
    kinds = list(site.service_kinds.values_list("kind", flat=True))
    worked = {kind for _week, kind in (*planned, *done)}
    return SeasonLeaf(
        year,
        years,
        [*(kind for kind in kinds if kind in worked), *sorted(worked - set(kinds))],
        _weeks(weeks, days, plans, done, today),
        today,
        bool(days),
    )


def _years(site: Site, today: date) -> list[int]:
    """Return the years of work of which there is air, work or a plan, the newest first."""
    oldest = [
        ClimateDay.objects.of_site(site).aggregate(Min("date"))["date__min"],
        Service.objects.of_site(site).aggregate(Min("date"))["date__min"],
    ]
    ends = [
        start + timedelta(weeks=weeks, days=-1)
        for start, weeks in SeasonPlan.objects.of_site(site).values_list("start", "weeks")
    ]
    first = min([year_of(day) for day in oldest if day] + [year_of(today)])
    last = max([year_of(day) for day in ends] + [year_of(today)])
    return list(range(last, max(first, last - OLDEST) - 1, -1))


def _air(site: Site, today: date) -> list[tuple[date, float, float]]:
    """Return the mean air of the site's rooms day by day, places outdoors left out."""
    return list(
        ClimateDay.objects.of_site(site)
        .filter(room__outdoors=False, date__lte=today, rh_mean__isnull=False, temp_c_mean__isnull=False)
        .order_by("date")
        .values_list("date")
        .annotate(Avg("temp_c_mean"), Avg("rh_mean"))
    )


def _weeks(
    weeks: list[date],
    air: list[tuple[date, float, float]],
    plans: Planned,
    done: Mapping[tuple[date, str], Decimal],
    today: date,
) -> list[YearWeek]:
    days = np.array([day.toordinal() for day, _temp, _rh in air], np.int64)
    temps, humidities = np.array([row[1] for row in air], float), np.array([row[2] for row in air], float)
    ends = [*weeks, weeks[-1] + timedelta(weeks=1)]
    asked = np.array([day.toordinal() for day in ends], np.int64)
    wood = wood_year(days, temps, humidities, SOUNDBOARD_TAU, asked)
    half = EIGHTY_PERCENT * wood.sd
    return [
        YearWeek(
            monday,
            float(wood.mean[n]),
            float(wood.mean[n] - half[n]),
            float(wood.mean[n] + half[n]),
            float(wood.mean[n + 1] - wood.mean[n]),
            bool(wood.measured[n]),
            _of(plans.hours, monday),
            _of(done, monday),
            monday < monday_before(today),
            monday in plans.offered,
        )
        for n, monday in enumerate(weeks)
    ]


def _of(hours: Mapping[tuple[date, str], Decimal], monday: date) -> dict[str, Decimal]:
    return {kind: number for (week, kind), number in hours.items() if week == monday}


def _percent(fraction: float) -> Decimal:
    return Decimal(100 * fraction).quantize(Decimal("0.01"))
