"""Compares what the accounting core found for random issues with QuantLib and mpmath.

    compare.py FILE              compares the issues of a file, one JSON document a line
    compare.py --self-test FILE  shows with the same issues that every kind of comparison can fail

The status is 1 if anything differs, or if too little was compared to say that nothing does.
"""

import copy
import json
import multiprocessing
import os
import sys
from fractions import Fraction

import QuantLib as ql
from mpmath import mp, mpf

from calendars import COUNTERS, Calendar, counter, day, schedule, serial, text
from curves import Curves, real, rounded
from instruments import ACCRUED, COUPONS, LENGTHS, YIELDS, Leg
from tally import KINDS, Tally

DAYS = "days, QuantLib"
GRID = "coupon dates, QuantLib's regular schedule"
FROM_DATED = "coupon dates, QuantLib's schedule from the dated date"
RATE_TOLERANCE = mpf(10) ** -12
SHOWN = 20
# What terms may have that leads through a part of its own of the rules; a run has to come upon all of it.
FEATURES = {
    **{name: lambda terms, calendar, name=name: terms["day_count"] == name for name in COUNTERS},
    "zero-coupon": lambda terms, _: terms["coupon_frequency"] == 0,
    "irregular first period": lambda _, calendar: calendar.first_is_stub,
    "stated first coupon": lambda terms, _: terms["first_coupon_date"] is not None,
    "month-end": lambda _, calendar: calendar.month_end,
    "settled after the dated date": lambda terms, _: terms["settlement_date"] > terms["dated_date"],
    "issue costs": lambda terms, _: terms["issue_costs"] > 0,
    "put": lambda terms, _: terms["amortization_end"] is not None,
    "stated rate": lambda terms, _: terms["stated_effective_rate"] is not None,
    "straight line": lambda terms, _: terms["amortization_method"] == "straight_line",
    "compound": lambda terms, _: terms["within_period"] == "compound",
    "taken over in mid-life": lambda terms, _: terms["opening"] is not None,
}


def compare(issue):
    """The comparisons of one issue."""
    tally = Tally()
    tally.issues = 1
    terms = issue["terms"]
    name = f"issue {issue['seed']}"
    compare_days(tally, name, issue)
    calendar = Calendar(terms)
    for feature, has in FEATURES.items():
        tally.features[feature] = int(has(terms, calendar))
    compare_dates(tally, name, issue, calendar)
    start = start_of(issue, calendar)
    curves = Curves(calendar, terms, start)
    leg = Leg(calendar, terms)
    compare_rates(tally, name, issue, curves, leg)
    compare_coupons(tally, name, issue, calendar, leg)
    compare_balances(tally, name, issue, calendar, curves, leg, start)
    return tally


def compare_days(tally, name, issue):
    for pair in issue["day_counts"]:
        start, end = day(serial(pair["from"])), day(serial(pair["to"]))
        for day_count, found in zip(COUNTERS, pair["days"], strict=True):
            expected = counter(day_count, pair["month_end_issue"]).dayCount(start, end)
            kind = "month-end issue" if pair["month_end_issue"] else "other issue"
            tally.exactly(DAYS, f"{name}: {day_count} of {kind}, {pair['from']} to {pair['to']}", found, expected)


def compare_dates(tally, name, issue, calendar):
    found = issue["grid"]
    if issue["coupon_dates"] != (found if issue["terms"]["coupon_frequency"] else []):
        tally.exactly(GRID, f"{name}: coupon dates", issue["coupon_dates"], "those of the grid, none without coupons")
    compare_lists(tally, GRID, name, found, [text(date) for date in calendar.dates[1:]])
    plain = schedule(calendar.begin, calendar.maturity, calendar.months, calendar.month_end, calendar.first)
    compare_lists(tally, FROM_DATED, name, found, [date.ISO() for date in plain][1:])


def compare_lists(tally, kind, name, found, expected):
    if len(found) != len(expected):
        tally.exactly(kind, f"{name}: number of dates", len(found), len(expected))
    for ours, theirs in zip(found, expected):
        tally.exactly(kind, f"{name}: date", ours, theirs)


def closing_boundary(date, terms, calendar):
    """The boundary of a close of business: under through_date the next day, but on the settlement date, on coupon dates and for
    month-end issues the date itself."""
    coupon = terms["coupon_frequency"] and date in calendar.dates[1:]
    settlement = date == serial(terms["settlement_date"])
    return date if terms["accrual_cutoff"] == "to_date" or settlement or coupon or calendar.month_end else date + 1


def start_of(issue, calendar):
    """Where the books begin, from the terms: at settlement, or at the close of the day of an opening balance."""
    terms = issue["terms"]
    opening = terms["opening"]
    if opening is None:
        return {"date": serial(terms["settlement_date"]), "boundary": serial(terms["settlement_date"]),
                "principal": terms["principal"], "clean": terms["proceeds"], "issue_costs": terms["issue_costs"]}
    date = serial(opening["date"])
    return {"date": date, "boundary": closing_boundary(date, terms, calendar), "principal": opening["principal"],
            "clean": opening["principal"] + opening["premium_discount"], "issue_costs": -opening["issue_costs"]}


def compare_rates(tally, name, issue, curves, leg):
    solved = {"gross": curves.gross, "net": curves.net, "gross_same_horizon": curves.gross_same_horizon}
    for which, curve in solved.items():
        found = Fraction(issue["rates"][which])
        mp.dps = curve.digits
        kind = "rates, stated" if curve.stated else "rates, mpmath"
        tally.within(kind, f"{name}: {which}", real(found), curve.rate, RATE_TOLERANCE)
    for which, curve in (("gross", curves.gross), ("net", curves.net)):
        if curve.stated:
            tally.leave_out(YIELDS, "a stated rate, which is not solved")
        else:
            leg.compare_yield(tally, f"{name}: {which}", Fraction(issue["rates"][which]), curve)


def compare_coupons(tally, name, issue, calendar, leg):
    stretches = []
    for date, principal, found in issue["coupons"]:
        end = serial(date)
        number = calendar.period_of(end)
        what = f"{name}: coupon of {principal} on {date}"
        tally.exactly("coupons, exact", what, found, rounded(principal * calendar.coupon(number)))
        leg.compare_amount(tally, COUPONS, what, found, principal, number, end)
        stretches.append((what, number, end))
    leg.compare_lengths(tally, stretches)


def compare_balances(tally, name, issue, calendar, curves, leg, start):
    terms, stretches = issue["terms"], []
    for row in issue["balances"]:
        date, boundary, principal = serial(row["date"]), serial(row["boundary"]), row["principal"]
        what = f"{name}: of {principal} on {row['date']} at boundary {row['boundary']}"
        if row["close"]:
            expected = min(closing_boundary(date, terms, calendar), calendar.maturity)
            expected = start["boundary"] if date == start["date"] else max(expected, start["boundary"])
            tally.exactly("closing boundaries", what, row["boundary"], text(expected))
        tally.exactly("premium or discount, mpmath", what, row["premium_discount"],
                      curves.premium_discount(principal, boundary))
        kind = "issue costs, none" if curves.without_costs else "issue costs, mpmath"
        tally.exactly(kind, what, row["issue_costs"], curves.issue_costs(principal, boundary))
        number = calendar.period_of(boundary)
        due = date >= calendar.maturity or (date == boundary and date in calendar.dates[1:])
        if due or terms["coupon_frequency"] == 0:
            tally.exactly("accrued interest, none", what, row["accrued"], 0)
            continue
        expected = rounded(principal * calendar.accrued(number, boundary))
        tally.exactly("accrued interest, exact", what, row["accrued"], expected)
        leg.compare_amount(tally, ACCRUED, what, row["accrued"], principal, number, boundary)
        stretches.append((what, number, boundary))
    leg.compare_lengths(tally, stretches)


def compare_line(line):
    issue = json.loads(line)
    try:
        return compare(issue)
    except Exception as error:
        raise RuntimeError(f"issue {issue['seed']} could not be compared: {json.dumps(issue['terms'])}") from error


def compare_all(lines):
    total = Tally()
    # Issues share nothing, so every core takes some.
    with multiprocessing.Pool(os.cpu_count()) as pool:
        for tally in pool.imap(compare_line, lines, chunksize=8):
            total.add(tally)
    return total


# What is changed in the figures of the core, by as little as must be noticed, and the comparisons each of which must then differ.
def later(date):
    return text(serial(date) + 1)


def change_days(issue):
    for pair in issue["day_counts"]:
        pair["days"] = [days + 1 for days in pair["days"]]


def change_grid(issue):
    issue["grid"] = [later(date) for date in issue["grid"]]
    issue["coupon_dates"] = [later(date) for date in issue["coupon_dates"]]


def change_rates(by):
    def change(issue):
        for which, rate in issue["rates"].items():
            issue["rates"][which] = str(Fraction(rate) + Fraction(by))
    return change


def change_balance(field, by=1):
    def change(issue):
        for row in issue["balances"]:
            row[field] += by
    return change


def change_boundaries(issue):
    # Within the life, so that there are figures at the boundary; they may differ or not, the boundaries must all.
    maturity = issue["terms"]["maturity_date"]
    for row in issue["balances"]:
        row["boundary"] = text(serial(maturity) - 1) if row["boundary"] == maturity else later(row["boundary"])


def change_coupons(issue):
    for coupon in issue["coupons"]:
        coupon[2] -= 1


CHANGES = (
    ("days", change_days, (DAYS,)),
    ("dates", change_grid, (GRID, FROM_DATED)),
    # A little more than twice the tolerance, so that what was the tolerance too low is now the tolerance too high.
    ("rates by 2.1e-12", change_rates("2.1e-12"), ("rates, mpmath", "rates, stated")),
    ("rates by -2.1e-10", change_rates("-2.1e-10"), ("rates, mpmath", YIELDS)),
    ("boundaries", change_boundaries, ("closing boundaries",)),
    ("premium or discount", change_balance("premium_discount"), ("premium or discount, mpmath",)),
    ("issue costs", change_balance("issue_costs", -1), ("issue costs, mpmath", "issue costs, none")),
    ("accrued interest", change_balance("accrued"),
     ("accrued interest, exact", "accrued interest, none", ACCRUED)),
    ("coupons", change_coupons, ("coupons, exact", COUPONS)),
)


def self_test(lines):
    """Shows that each comparison sees the least change that it must, and that too few comparisons are seen as well."""
    issues = [json.loads(line) for line in lines]
    wrong = []

    def total(changed):
        tally = Tally()
        for issue in changed:
            tally.add(compare(issue))
        return tally

    unchanged = total(issues)
    wrong += unchanged.differences[:SHOWN] + unchanged.shortcomings()
    tried = set()
    for name, change, kinds in CHANGES:
        changed = copy.deepcopy(issues)
        for issue in changed:
            change(issue)
        tally = total(changed)
        tried.update(kinds)
        for kind in kinds:
            if tally.compared[kind] == 0 or tally.differing[kind] != tally.compared[kind]:
                wrong.append(f"{name} changed: {tally.differing[kind]} of {tally.compared[kind]} differ in {kind}")
    # The lengths are the one figure that is not the core's: they are these files' own, held against QuantLib.
    wrong += [f"nothing was changed that {kind} compares" for kind in set(KINDS) - tried - {LENGTHS}]
    for name, without in (("no issue", []), ("no day counts", [issue | {"day_counts": []} for issue in issues]),
                          ("no balances", [issue | {"balances": []} for issue in issues])):
        if not total(without).shortcomings():
            wrong.append(f"{name}: nobody misses anything")
    for kind in KINDS:
        unchanged.leave_out(kind, "as many again as were compared", unchanged.compared[kind] or 1)
    missed = {text.split(": ")[0] for text in unchanged.shortcomings()}
    wrong += [f"{kind}: nobody misses half of it" for kind in set(KINDS) - missed]
    print(f"{len(CHANGES)} changes in {len(issues)} issues: {len(wrong)} went wrong")
    print("\n".join(wrong))
    return not wrong


def main(arguments):
    testing = "--self-test" in arguments
    (path,) = [argument for argument in arguments if not argument.startswith("--")]
    with open(path, encoding="utf-8") as file:
        lines = file.readlines()
    if testing:
        return self_test(lines)
    tally = compare_all(lines)
    print(tally.report())
    short = tally.shortcomings()
    for difference in tally.differences[:SHOWN]:
        print(f"DIFFERENT {difference}")
    for reason in short:
        print(f"TOO LITTLE {reason}")
    print(f"{len(tally.differences)} differences, {len(short)} kinds with too little (QuantLib {ql.__version__})")
    return not tally.differences and not short


if __name__ == "__main__":
    sys.exit(0 if main(sys.argv[1:]) else 1)
