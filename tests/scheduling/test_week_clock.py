"""Slots of a week against hand counts on the days of clock changes, and the wall's times read back."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from scheduling.engine.week import Span
from scheduling.week_clock import WeekClock

VIENNA = ZoneInfo("Europe/Vienna")


def test_an_ordinary_week_has_seven_days_of_96_quarters():
    assert WeekClock(date(2026, 11, 30), VIENNA).days == tuple(range(0, 8 * 96, 96))


def test_the_day_that_loses_an_hour_has_four_quarters_less_and_the_one_that_gains_it_four_more():
    # 29 March 2026 and 25 October 2026 are the last Sundays of their months, when clocks change in the EU.
    assert WeekClock(date(2026, 3, 23), VIENNA).days[-2:] == (576, 576 + 92)
    assert WeekClock(date(2026, 10, 19), VIENNA).days[-2:] == (576, 576 + 100)


def test_work_after_a_clock_change_stands_at_the_time_on_the_wall():
    clock = WeekClock(date(2026, 3, 23), VIENNA)
    span = clock.work(date(2026, 3, 29), time(8), time(12))
    assert span == Span(576 + 28, 576 + 44)  # eight o'clock comes seven hours after midnight
    assert clock.at(span.first).astimezone(VIENNA).time() == time(8)
    assert clock.work(date(2026, 3, 29), time(1), time(5)) == Span(576 + 4, 576 + 16)


def test_a_booking_takes_every_quarter_it_touches_and_work_only_whole_ones():
    clock = WeekClock(date(2026, 11, 30), VIENNA)
    begins, ends = datetime(2026, 11, 30, 8, 5, tzinfo=UTC), datetime(2026, 11, 30, 9, 50, tzinfo=UTC)
    assert clock.taken(begins, ends) == Span(36, 44)
    assert clock.work(date(2026, 11, 30), time(9, 5), time(10, 50)) == Span(37, 43)


def test_what_lies_outside_the_week_is_cut_off_or_nothing():
    clock = WeekClock(date(2026, 11, 30), VIENNA)
    sunday, monday = datetime(2026, 11, 29, 20, tzinfo=UTC), datetime(2026, 11, 30, 0, tzinfo=UTC)
    assert clock.taken(sunday, monday) == Span(0, 4)
    assert clock.taken(sunday, datetime(2026, 11, 29, 23, tzinfo=UTC)) is None


def test_zones_with_odd_offsets_have_their_own_midnight():
    clock = WeekClock(date(2026, 11, 30), ZoneInfo("Asia/Kathmandu"))
    assert clock.begins == datetime(2026, 11, 29, 18, 15, tzinfo=UTC)
    assert clock.in_words(clock.at(32), clock.at(38)) == "Mon 30 Nov 08:00 to 09:30"
