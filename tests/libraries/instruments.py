"""QuantLib's own fixed-rate coupons and yields, as a second opinion where their convention is the documented one.

QuantLib computes in double precision. A coupon's amount is compared with the core's only where that precision decides to
which minor unit it rounds, and a yield is compared to 1e-10.
"""

from fractions import Fraction

import QuantLib as ql

from calendars import ACTUAL, FIXED_YEARS, day, schedule
from curves import rounded

COUPONS, ACCRUED = "coupons, QuantLib's coupon", "accrued interest, QuantLib's coupon"
LENGTHS, YIELDS = "lengths in coupon periods, QuantLib's ISMA count", "rates, QuantLib's yield"
# QuantLib takes (1 + rate x time) - 1 for a coupon: each of its few roundings is of a number below 4.
UNIT_ERROR = Fraction(16, 2**52)
YIELD_TOLERANCE = 1e-10
LENGTH_TOLERANCE = 1e-12
# It adds its times up period by period for each flow, which takes a second for a yield of so many flows.
MOST_FLOWS = 400

WIDE = "an amount that double precision does not tell to the minor unit"
YEAR_FRACTION = "a 30-day count of a (quasi-)coupon period of other than 360 / frequency days, which QuantLib takes for one"
ADDITIVE = "a 30-day count whose parts do not add up, as from a 31st, where QuantLib takes the whole less the part"


class Leg:
    """The schedule, the coupons and the count of an issue as QuantLib makes them from its terms."""

    def __init__(self, calendar, terms):
        self.calendar, self.terms = calendar, terms
        self.schedule = schedule(calendar.begin, calendar.maturity, calendar.months, calendar.month_end, calendar.first)
        self.dates = [date.serialNumber() for date in self.schedule]
        self.isma = ql.ActualActual(ql.ActualActual.ISMA, self.schedule)
        self.counter = self.isma if calendar.day_count == "ACT/ACT-ICMA" else calendar.counter
        self.flows = ql.FixedRateLeg(self.schedule, self.counter, [1.0], [float(calendar.rate)], ql.Unadjusted)
        self.coupons = [ql.as_coupon(flow) for flow in self.flows]
        self.isma_differs = calendar.isma_differs()

    def why_not(self, number, end):
        """Why QuantLib's interest from the start of a period is not the documented one; None where it is."""
        if self.calendar.day_count == "ACT/ACT-ICMA":
            return self.isma_differs if number == 1 else None
        if self.calendar.day_count in FIXED_YEARS or self.calendar.same_year_fraction(number, end):
            return None
        return YEAR_FRACTION

    def compare_lengths(self, tally, boundaries):
        """Lengths in coupon periods by actual days, which are of these files, not of the core: they hold its interest and rates."""
        calendar, actual = self.calendar, self.calendar.counter is ACTUAL
        if not actual:
            return
        for what, number, end in boundaries:
            why = self.isma_differs if number == 1 else None
            if why:
                tally.leave_out(LENGTHS, why)
                continue
            start = calendar.dates[number - 1]
            found = calendar.length(number, start, end)
            years = self.isma.yearFraction(day(start), day(end))
            tally.within(LENGTHS, what, float(found), years * calendar.per_year, LENGTH_TOLERANCE)

    def compare_amount(self, tally, kind, what, found, principal, number, end):
        """Compares interest from the start of a period with that of QuantLib's coupon."""
        why = self.why_not(number, end)
        if why:
            return tally.leave_out(kind, why)
        coupon = self.coupons[number - 1]
        whole = end == self.calendar.dates[number]
        unit = Fraction(coupon.amount() if whole else coupon.accruedAmount(day(end)))
        least, most = (rounded(principal * (unit + error)) for error in (-UNIT_ERROR, UNIT_ERROR))
        if least != most:
            return tally.leave_out(kind, WIDE)
        tally.exactly(kind, what, found, least)

    def yield_why_not(self, curve):
        """Why QuantLib's yield of a curve's cash flows is not its rate by convention; None where it is."""
        calendar, dates = self.calendar, self.calendar.dates
        if len(curve.coupons) > MOST_FLOWS:
            return f"more than {MOST_FLOWS} payments, for which QuantLib's yield takes seconds"
        last = curve.first + len(curve.coupons) - 1
        for number in range(curve.first, last + 1):
            why = self.why_not(number, dates[number])
            if why:
                return why
        if calendar.day_count.startswith("30"):
            # Its times are years by the count, so that every period has to be one frequency-th.
            spans = [Fraction(calendar.days(start, end) * calendar.per_year, 360) for start, end in zip(dates, dates[1:])]
            if any(span != 1 for span in spans[curve.first:last]):
                return YEAR_FRACTION
            whole = calendar.days(dates[curve.first - 1], dates[curve.first])
            part = calendar.days(dates[curve.first - 1], curve.begin)
            if Fraction((whole - part) * calendar.per_year, 360) != curve.length:
                return ADDITIVE
            if self.terms["coupon_frequency"] == 0:
                total = Fraction(calendar.days(curve.begin, dates[last]) * calendar.per_year, 360)
                return None if total == curve.length + last - curve.first else ADDITIVE
            return None
        return self.isma_differs if curve.first == 1 else None

    def compare_yield(self, tally, what, found, curve):
        why = self.yield_why_not(curve)
        if why:
            return tally.leave_out(YIELDS, why)
        calendar = self.calendar
        last = curve.first + len(curve.coupons) - 1
        end = day(calendar.dates[last])
        flows = list(self.flows[curve.first - 1:last]) if self.terms["coupon_frequency"] else []
        flows.append(ql.SimpleCashFlow(float(curve.redemption), end))
        # ACT/365F and ACT/360 measure the coupons; the times of the rate are in coupon periods.
        counter = calendar.counter if calendar.day_count.startswith("30") else self.isma
        begin = day(curve.begin)
        price = float(curve.price + curve.accrued)
        try:
            nominal = ql.CashFlows.yieldRate(flows, price, counter, ql.Compounded, calendar.per_year, False, begin, begin,
                                             1e-13, 1000, 0.05)
        except RuntimeError as error:
            reason = str(error).split(":")[0].split("[")[0].strip()
            return tally.leave_out(YIELDS, f"QuantLib's solver gave up ({reason})")
        tally.within(YIELDS, what, float(found), nominal / calendar.per_year, YIELD_TOLERANCE)
