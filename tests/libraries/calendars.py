"""Coupon dates, day counts and lengths in coupon periods from QuantLib. Nothing is shared with the Rust sources.

Dates are QuantLib's serial numbers, which compare and subtract faster than its date objects.
"""

from bisect import bisect_left
from fractions import Fraction
from functools import lru_cache

import QuantLib as ql

NULL = ql.NullCalendar()
ACTUAL = ql.ActualActual(ql.ActualActual.ISMA)
# In the order in which the core's counts are written down.
COUNTERS = {
    "30/360": ql.Thirty360(ql.Thirty360.BondBasis),
    "30U/360": ql.Thirty360(ql.Thirty360.USA),
    "30E/360": ql.Thirty360(ql.Thirty360.EurobondBasis),
    "ACT/ACT-ICMA": ACTUAL,
    "ACT/365F": ql.Actual365Fixed(),
    "ACT/360": ql.Actual360(),
}
# For an issue that matures on a month's last day every month's last day is the 30th in all three 30-day counts. That is the
# 30E/360 of the ISDA Definitions without its exception for a maturity in February, which QuantLib has by leaving the maturity out.
EVERY_MONTH_END = ql.Thirty360(ql.Thirty360.ISDA)
FIXED_YEARS = {"ACT/365F": 365, "ACT/360": 360}


@lru_cache(maxsize=200_000)
def serial(text):
    return ql.Date(int(text[8:]), int(text[5:7]), int(text[:4])).serialNumber()


@lru_cache(maxsize=200_000)
def day(number):
    return ql.Date(number)


def text(number):
    return day(number).ISO()


def counter(day_count, month_end):
    return EVERY_MONTH_END if month_end and day_count.startswith("30") else COUNTERS[day_count]


class Calendar:
    """The coupon dates of an issue, and what accrues between them on one unit of principal."""

    def __init__(self, terms):
        self.begin, self.maturity = serial(terms["dated_date"]), serial(terms["maturity_date"])
        self.first = serial(terms["first_coupon_date"]) if terms["first_coupon_date"] else None
        self.per_year = terms["coupon_frequency"] or terms["compounding_frequency"]
        self.months = 12 // self.per_year
        self.month_end = ql.Date.isEndOfMonth(day(self.maturity))
        self.day_count = terms["day_count"]
        self.counter = counter(self.day_count, self.month_end)
        self.rate = Fraction(terms["coupon_rate"])
        # More than one regular period before the dated date, so that the quasi-coupon period in which it lies is on the grid. What
        # QuantLib puts first is the day that it was told to begin with, which need not be on the grid.
        early = NULL.advance(day(self.begin), -2 * self.months, ql.Months) - 5
        self.quasi = [date.serialNumber() for date in schedule(early, self.maturity, self.months, self.month_end)][1:]
        due = [date for date in self.quasi if date > self.begin]
        if self.first is not None:
            due = due[due.index(self.first):]
        self.dates = [self.begin] + due
        self.first_is_stub = self.before(due[0]) != self.begin

    def before(self, date):
        """The grid date before one that is on the grid."""
        return self.quasi[bisect_left(self.quasi, date) - 1]

    def days(self, start, end):
        return self.counter.dayCount(day(start), day(end))

    def period_of(self, boundary):
        """The number, from 1, of the period that ends on the boundary or has it inside."""
        return min(max(bisect_left(self.dates, boundary, 1), 1), len(self.dates) - 1)

    def pieces(self, number, start, end):
        """Days, and days of the whole, of each (quasi-)coupon period that a stretch of a period touches."""
        if number > 1 or not self.first_is_stub:
            return [(self.days(start, end), self.days(self.dates[number - 1], self.dates[number]))]
        found, upper = [], self.dates[number]
        while upper > start:
            lower = self.before(upper)
            low, high = max(lower, start), min(upper, end)
            if low < high:
                found.append((self.days(low, high), self.days(lower, upper)))
            upper = lower
        return found

    def length(self, number, start, end):
        """A stretch of a period in coupon periods: a stub is the sum over its quasi-coupon periods."""
        return sum((Fraction(days, whole) for days, whole in self.pieces(number, start, end)), Fraction(0))

    def accrued(self, number, end, start=None):
        """Interest on one unit from the start of a period."""
        start = self.dates[number - 1] if start is None else start
        if self.day_count in FIXED_YEARS:
            return self.rate * self.days(start, end) / FIXED_YEARS[self.day_count]
        return self.rate / self.per_year * self.length(number, start, end)

    def coupon(self, number):
        return self.accrued(number, self.dates[number])

    def same_year_fraction(self, number, end):
        """Whether days / 360, QuantLib's measure for the 30-day counts, is the documented one from the start of a period: days over
        the days of the coupon period, of which QuantLib takes every one to have 360 / frequency."""
        days = self.days(self.dates[number - 1], end)
        return Fraction(days * self.per_year, 360) == self.length(number, self.dates[number - 1], end)

    def isma_differs(self):
        """Why QuantLib's ISMA count of a first period is not the documented one; None where it is."""
        lacking = "quasi-coupon dates that QuantLib counts from the first coupon, in a month that lacks maturity's day"
        first, quasi = self.dates[1], []
        for _ in range(2):
            latest = quasi[-1] if quasi else first
            quasi.append(NULL.advance(day(latest), -self.months, ql.Months, ql.Unadjusted, self.month_end).serialNumber())
        if not self.first_is_stub:
            # A regular first period is irregular for QuantLib if its end is stated and a step back from there misses its start.
            return lacking if self.first is not None and quasi[0] != self.begin else None
        if len(self.dates) == 2:
            return "one irregular period in all, which QuantLib takes for an irregular last one as well as a first"
        if quasi[1] > self.begin:
            return "a first period of more than two quasi-coupon periods, of which QuantLib knows two"
        before = self.before(first)
        grid = [before, self.before(before)] if before > self.begin else [before]
        return lacking if grid != quasi[:len(grid)] else None


def schedule(begin, maturity, months, month_end, first=None):
    """QuantLib's schedule back from maturity."""
    begin = begin if isinstance(begin, ql.Date) else day(begin)
    first = ql.Date() if first is None else day(first)
    return ql.Schedule(begin, day(maturity), ql.Period(months, ql.Months), NULL, ql.Unadjusted, ql.Unadjusted,
                       ql.DateGeneration.Backward, month_end, first)
