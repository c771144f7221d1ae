"""What was compared, what was left out and why, and what differs."""

from collections import Counter, defaultdict

# A kind of comparison, with the library that gives the other figure: the fewest comparisons an issue (on average over a run), and
# the least share of what could have been compared that must have been. Where a library defines something else it is left out, never
# met halfway; these figures make a comparison that leaves out too much, or is not made at all, a failure. They are about three
# quarters and nine tenths of what a run of 10,000 issues has, less where few issues have many. `none` and `stated` are figures that
# the rules give without computing, counted apart so that they pad no other count.
KINDS = {
    "days, QuantLib": (24.0, 1.00),
    "coupon dates, QuantLib's regular schedule": (25.0, 1.00),
    "coupon dates, QuantLib's schedule from the dated date": (25.0, 1.00),
    "closing boundaries": (10.0, 1.00),
    "lengths in coupon periods, QuantLib's ISMA count": (1.5, 0.87),
    "rates, mpmath": (2.1, 1.00),
    "rates, stated": (0.1, 1.00),
    "rates, QuantLib's yield": (1.2, 0.75),
    "premium or discount, mpmath": (20.0, 1.00),
    "issue costs, mpmath": (10.0, 1.00),
    "issue costs, none": (9.0, 1.00),
    "accrued interest, exact": (10.0, 1.00),
    "accrued interest, none": (10.0, 1.00),
    "accrued interest, QuantLib's coupon": (8.0, 0.73),
    "coupons, exact": (7.0, 1.00),
    "coupons, QuantLib's coupon": (6.0, 0.73),
}


class Tally:
    """Counts of one issue or, added up, of many."""

    def __init__(self):
        self.compared = Counter()
        self.left_out = Counter()
        self.differing = Counter()
        self.largest = defaultdict(float)
        self.differences = []
        self.features = Counter()
        self.issues = 0

    def exactly(self, kind, what, found, expected):
        """Compares what has to be the same."""
        self.compared[kind] += 1
        if found != expected:
            self._differs(kind, f"{what}: the core has {found}, the library {expected}")

    def within(self, kind, what, found, expected, tolerance):
        """Compares what may differ by a tolerance. The comparison is written so that a difference that is no number fails."""
        self.compared[kind] += 1
        difference = abs(found - expected)
        self.largest[kind] = max(self.largest[kind], float(difference))
        if not difference <= tolerance:
            self._differs(kind, f"{what}: the core has {found}, the library {expected}")

    def leave_out(self, kind, why, times=1):
        self.left_out[kind, why] += times

    def _differs(self, kind, text):
        self.differing[kind] += 1
        self.differences.append(f"{kind}: {text}")

    def add(self, other):
        self.compared += other.compared
        self.left_out += other.left_out
        self.differing += other.differing
        for kind, largest in other.largest.items():
            self.largest[kind] = max(self.largest[kind], largest)
        self.differences += other.differences
        # `+=` would forget a feature that no issue had.
        self.features.update(other.features)
        self.issues += other.issues

    def shortcomings(self):
        """Kinds of which too little was compared for their agreement to mean anything."""
        short = []
        if self.issues == 0:
            short.append("no issue was compared")
        short += [f"{feature}: in {times} issues, at least one in a hundred is due" for feature, times in self.features.items()
                  if times * 100 < self.issues or times == 0]
        unknown = set(self.compared) | {kind for kind, _ in self.left_out}
        short += [f"{kind}: no minimum is set for it" for kind in sorted(unknown - set(KINDS))]
        for kind, (an_issue, share) in KINDS.items():
            compared = self.compared[kind]
            possible = compared + sum(times for (of, _), times in self.left_out.items() if of == kind)
            if compared < max(1, an_issue * self.issues):
                short.append(f"{kind}: {compared} comparisons for {self.issues} issues, at least {an_issue} an issue are due")
            elif compared < share * possible:
                short.append(f"{kind}: {compared} of {possible} compared, at least {share:.0%} are due")
        return short

    def report(self):
        lines = [f"{self.issues} issues: " + ", ".join(f"{feature} {times}" for feature, times in self.features.items())]
        for kind in KINDS:
            largest = f", largest difference {self.largest[kind]:.2e}" if kind in self.largest else ""
            differing = f", {self.differing[kind]} DIFFER" if self.differing[kind] else ""
            lines.append(f"{kind}: {self.compared[kind]} compared{largest}{differing}")
            reasons = sorted((why, times) for (of, why), times in self.left_out.items() if of == kind)
            lines += [f"    {times} left out: {why}" for why, times in reasons]
        return "\n".join(lines)
