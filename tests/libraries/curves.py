"""Effective rates and the curve of amortised cost, in mpmath, from the convention as documented:

C(0) = price; C(i) = (C(i-1) + interest accrued at the start, in the first span) x (1+y)^T - coupon; C(n) = redemption price,
with T the length of the span in coupon periods. Inside a span a balance moves by days, in equal amounts or at a constant rate.
"""

import math
from bisect import bisect_left
from fractions import Fraction

from mpmath import mp, mpf

from calendars import serial

# Digits beyond what the recursion loses: an error in the rate grows with (1+y)^n on the way to maturity.
DIGITS = 50
BOUNDS = (-0.3, 3.0)
# Far above the error of the recursion, far below what anything not an exact half is away from one.
HALF = mpf(10) ** -30


def real(fraction):
    return mpf(fraction.numerator) / fraction.denominator


def rounded(value):
    """To the minor unit, halves away from zero."""
    if isinstance(value, Fraction):
        size = math.floor(abs(value) + Fraction(1, 2))
    else:
        size = int(mp.floor(abs(value) + mpf(1) / 2 + HALF))
    return -size if value < 0 else size


class Curve:
    """The amortised cost of one unit from a boundary to a horizon."""

    def __init__(self, calendar, terms, begin, horizon, price, stated=None):
        self.calendar, self.begin, self.horizon, self.price = calendar, begin, horizon, price
        self.redemption = Fraction(terms["redemption_price"])
        self.straight = terms["amortization_method"] == "straight_line"
        self.compound = terms["within_period"] == "compound"
        dates = calendar.dates
        # A span begins at the boundary: if that ends a period, with the period after it.
        self.first = next(number for number in range(calendar.period_of(begin), len(dates)) if dates[number] > begin)
        last = calendar.period_of(horizon)
        self.length = calendar.length(self.first, begin, dates[self.first])
        self.accrued = calendar.accrued(self.first, begin)
        self.coupons = [calendar.coupon(number) for number in range(self.first, last + 1)]
        guess = float(stated) if stated is not None else self._guess()
        mp.dps = DIGITS + 5 + int(len(self.coupons) * max(0.0, math.log10(1 + guess)))
        self.stated = stated is not None
        self.rate = real(stated) if self.stated else self._solve(guess)
        self.digits = mp.dps
        self.balances = self._balances()
        self._close()

    def _guess(self):
        """The rate to some ten digits, by halving the interval in which a rate is looked for."""
        flows = [float(coupon) for coupon in self.coupons]
        flows[-1] += float(self.redemption)
        length, price = float(self.length), float(self.price + self.accrued)
        low, high = (bound / self.calendar.per_year for bound in BOUNDS)
        for _ in range(50):
            middle = (low + high) / 2
            discount, worth = 1 / (1 + middle), 0.0
            for flow in reversed(flows):
                worth = worth * discount + flow
            if worth * discount**length > price:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    def _solve(self, guess):
        flows = [real(coupon) for coupon in self.coupons]
        flows[-1] += real(self.redemption)
        length, price = real(self.length), real(self.price + self.accrued)

        def excess(rate):
            discount, worth = 1 / (1 + rate), mpf(0)
            for flow in reversed(flows):
                worth = worth * discount + flow
            # In proportion to the price, so that a small one is met to as many digits.
            return worth * discount**length / price - 1

        return mp.findroot(excess, (mpf(guess), mpf(guess) + mpf(10) ** -9), solver="secant", tol=mpf(10) ** (-1.9 * DIGITS))

    def _balances(self):
        growth, balance = 1 + self.rate, real(self.price)
        balances = [balance]
        for index, coupon in enumerate(self.coupons):
            if index == 0:
                balance = (balance + real(self.accrued)) * growth ** real(self.length) - real(coupon)
            else:
                balance = balance * growth - real(coupon)
            balances.append(balance)
        return balances

    def _close(self):
        """The last period ends at the redemption price: of itself, or by taking the difference that a stated rate leaves."""
        difference = abs(self.balances[-1] - real(self.redemption))
        if not self.stated and not difference < mpf(10) ** -30:
            raise ArithmeticError(f"the recursion misses the redemption price by {mp.nstr(difference, 5)}")
        self.balances[-1] = real(self.redemption)

    def at(self, boundary):
        """The cost at a boundary; exact for a straight line."""
        if boundary >= self.horizon:
            return self.redemption
        calendar = self.calendar
        if self.straight:
            whole = calendar.days(self.begin, self.horizon)
            part = Fraction(calendar.days(self.begin, boundary), whole) if whole else Fraction(0)
            return self.price + (self.redemption - self.price) * part
        if boundary <= self.begin:
            return self.price
        mp.dps = self.digits
        number = max(bisect_left(calendar.dates, boundary), self.first)
        index = number - self.first
        start, end = max(calendar.dates[number - 1], self.begin), calendar.dates[number]
        low, high = self.balances[index], self.balances[index + 1]
        if boundary == end:
            return high
        # A 30-day count may see no day in a span: it has then not begun.
        whole = calendar.days(start, end)
        part = real(Fraction(calendar.days(start, boundary), whole)) if whole else mpf(0)
        if not self.compound:
            return low + (high - low) * part
        # With the interest accrued on it the cost grows at a constant rate; the interest accrues by days.
        accrued = real(self.accrued) if index == 0 else mpf(0)
        coupon = real(self.coupons[index])
        grown = (low + accrued) * ((high + coupon) / (low + accrued)) ** part
        return grown - accrued - (coupon - accrued) * part


class Curves:
    """The curves of an issue, as many as its costs and its put make."""

    def __init__(self, calendar, terms, start):
        principal, redemption = start["principal"], Fraction(terms["redemption_price"])
        clean, costs = Fraction(start["clean"], principal), Fraction(start["issue_costs"], principal)
        self.costs_horizon = serial(terms["amortization_end"] or terms["maturity_date"])
        # A discount and issue costs run to the earliest put, a premium to maturity.
        self.gross_horizon = self.costs_horizon if clean < redemption else calendar.maturity
        stated = terms["stated_effective_rate"]
        stated = Fraction(stated) / calendar.per_year if stated is not None else None

        def curve(price, horizon, stated=None):
            return Curve(calendar, terms, start["boundary"], horizon, price, stated)

        self.without_costs = not costs
        self.gross = curve(clean, self.gross_horizon, None if costs else stated)
        self.net = self.gross_same_horizon = self.gross
        if costs:
            if self.costs_horizon != self.gross_horizon:
                self.gross_same_horizon = curve(clean, self.costs_horizon)
            self.net = curve(clean - costs, self.costs_horizon, stated)

    def premium_discount(self, principal, boundary):
        return rounded(principal * (self.gross.at(boundary) - 1))

    def issue_costs(self, principal, boundary):
        if self.without_costs:
            return 0
        net, gross = self.net.at(boundary), self.gross_same_horizon.at(boundary)
        # Exact where both are; one of them may be, as at a boundary where the redemption price is reached.
        if not (isinstance(net, Fraction) and isinstance(gross, Fraction)):
            net, gross = (real(cost) if isinstance(cost, Fraction) else cost for cost in (net, gross))
        return rounded(principal * (net - gross))
