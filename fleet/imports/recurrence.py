"""Which rules of recurring events are taken: those that unfold into a bounded number in a bounded time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# A room is not booked more often than hourly; finer rules would unfold into millions.
COARSE = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
MOST_A_DAY = 24
# The parts of a rule that are taken (RFC 5545, section 3.3.10), without weeks and days of the year: with a
# month beside them they may never come, which is found out only at the end of the calendar.
WORDS = ("FREQ", "UNTIL", "WKST", "BYDAY")
NUMBERS = {
    "COUNT": (1, 1_000_000),
    "INTERVAL": (1, 1_000),
    "BYMONTH": (1, 12),
    "BYMONTHDAY": (1, 31),
    "BYSETPOS": (1, 366),
    "BYHOUR": (0, 23),
    "BYMINUTE": (0, 59),
    "BYSECOND": (0, 59),
}
LONGEST_MONTHS = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)

Problem = tuple[str, object, str]  # message, value, what is accepted


def rule_problem(rule: Mapping[str, Any]) -> Problem | None:
    """Return why a rule is not taken, None where it is."""
    for check in (_unknown_part, _impossible_number, _too_fine, _no_such_day):
        if problem := check(rule):
            return problem
    return None


def _unknown_part(rule: Mapping[str, Any]) -> Problem | None:
    unknown = sorted(set(rule) - {*WORDS, *NUMBERS})
    if unknown:
        return "a part of a rule that is not taken", unknown[0], ", ".join([*WORDS, *NUMBERS])
    return None


def _impossible_number(rule: Mapping[str, Any]) -> Problem | None:
    for name, (low, high) in NUMBERS.items():
        for value in rule.get(name, []):
            if not low <= abs(int(value)) <= high:
                return f"an impossible {name}", value, f"{low} to {high}"
    return None


def _too_fine(rule: Mapping[str, Any]) -> Problem | None:
    frequency = str(rule.get("FREQ", [""])[0]).upper()
    if frequency not in COARSE:
        return "too fine a rule", frequency, ", ".join(COARSE)
    if frequency in COARSE[:2] and "BYSETPOS" in rule:
        return "BYSETPOS of a day or a week", frequency, ", ".join(COARSE[2:])
    a_day = 1
    for name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
        a_day *= len(rule.get(name, [0]))
    return ("too fine a rule", a_day, f"at most {MOST_A_DAY} a day") if a_day > MOST_A_DAY else None


def _no_such_day(rule: Mapping[str, Any]) -> Problem | None:
    days, months = rule.get("BYMONTHDAY", [1]), rule.get("BYMONTH", [1])
    if all(abs(day) > LONGEST_MONTHS[int(month) - 1] for day in days for month in months):
        return "a day that no month has", days[0], "a day of the calendar"
    return None
