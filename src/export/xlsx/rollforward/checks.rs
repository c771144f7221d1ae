//! The sheet of checks: what must tie, as formulas over the other sheets, whether the figures are those of the service, and one cell that
//! says whether everything holds.

use rust_decimal::Decimal;

use super::columns::{Event, Input, Journal, Line, Sched, Tie};
use super::figures::{exact, rounded};
use super::lines::Sums;
use crate::accounting::Currency;
use crate::accounting::journal::{AccountRole, MovementKind, REVERSAL_OF};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::WorkbookError;
use crate::export::xlsx::cell::{Column, Held, Look, Row};
use crate::reading::{RollforwardDocument, TieOut};
use crate::reports::ties::{CARRYING_AMOUNT, EXPENSE, Equality, GAIN_OR_LOSS, PAID_IN_CAPITAL};

/// The cell that says whether everything holds, and the name under which it can be found.
pub(super) const OVERALL: (&str, &str) = ("Overall", "=Checks!$B$2");
const HOLDS: &str = "holds";
const AS_RECORDED: &str = "as recorded";

/// The last rows of the sheets, and where the lines of the total are.
pub(super) struct Rows {
    pub first: u32,
    pub inputs: u32,
    pub schedule: u32,
    pub events: u32,
    pub journals: u32,
    /// Of the total.
    pub total: (u32, u32),
    /// Of the issues.
    pub issues: (u32, u32),
}

/// What journal lines and schedules come to.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Totals {
    pub debit: Amount,
    pub credit: Amount,
    /// By the schedules at the last boundaries.
    pub scheduled: Amount,
    /// Debit positive, by journal lines.
    pub cash: Amount,
    pub shown: Shown,
}

/// The same by the first sheet.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shown {
    pub carrying: Amount,
    pub cash: Amount,
}

struct Check {
    name: String,
    figure: &'static str,
    left: (Option<String>, Amount),
    right: (Option<String>, Amount),
}

/// The rows of the sheet from the first on.
pub(super) fn rows(
    report: &RollforwardDocument,
    currency: Currency,
    at: &Rows,
    totals: &Totals,
    (sums, differing): (&[Sums], Amount),
) -> Result<(Vec<Row>, &'static str), WorkbookError> {
    let decimals = u32::from(currency.exponent());
    let mut ties = Vec::new();
    for tie in &report.tie_out {
        ties.push(of_report(tie, report, currency, at)?);
    }
    ties.extend(of_workbook(at, totals));
    let service = of_service(report, currency, at, (sums, differing))?;
    let first = HEAD + 1;
    let last = first + count(ties.len()) - 1;
    let service_first = last + 3;
    let service_last = service_first + count(service.len()) - 1;
    let answer = if ties.iter().chain(&service).all(Check::holds) { HOLDS } else { "does not hold" };
    let mut rows = head(at, (first, last), (service_first, service_last), answer);
    for (check, at) in ties.iter().zip(first..) {
        rows.push(check.row(at, decimals)?);
    }
    rows.push(Row::default());
    let mut heading = Row::default();
    let sentence = "The figures of the first sheet beside those of the service, which are values. They are alike as long as inputs are as recorded.";
    heading.looking(Tie::Check, Held::Text(sentence.into()), Look::Heading);
    rows.push(heading);
    for (check, at) in service.iter().zip(service_first..) {
        rows.push(check.row(at, decimals)?);
    }
    Ok((rows, answer))
}

/// The row of the headings.
pub(super) const HEAD: u32 = 6;

fn count(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

fn head(at: &Rows, ties: (u32, u32), service: (u32, u32), answer: &'static str) -> Vec<Row> {
    let all_true = |(first, last): (u32, u32)| {
        let cells = Tie::Passed.span(first, last);
        format!("COUNTIF({cells},TRUE)={}", last + 1 - first)
    };
    let line = |name: &'static str| {
        let mut row = Row::default();
        row.looking(Tie::Check, Held::Text(name.into()), Look::Heading);
        row
    };
    let mut title = Row::default();
    title.looking(Tie::Check, Held::Text("Checks".into()), Look::Title);
    let mut overall = line("Everything ties");
    let unchanged = format!("$B$3=\"{AS_RECORDED}\"");
    let formula =
        format!("IF(AND({},OR(NOT({unchanged}),{})),\"{HOLDS}\",\"does not hold\")", all_true(ties), all_true(service));
    overall.live(Tie::Figure, formula, Held::Text(answer.into()));
    let mut inputs = line("Inputs");
    let changed = Input::Changed.span(at.first, at.inputs);
    let formula = format!("IF(SUM({changed})=0,\"{AS_RECORDED}\",SUM({changed})&\" changed\")");
    inputs.live(Tie::Figure, formula, Held::Text(AS_RECORDED.into()));
    let mut stated = line("Stated entries of issues with changed inputs, left as they are");
    let formula = format!("SUMPRODUCT({changed},{})", Input::Stated.span(at.first, at.inputs));
    stated.live(Tie::Figure, formula, Held::Number(Decimal::ZERO));
    let mut headings = Row::default();
    for (column, heading, _) in Tie::ALL {
        headings.looking(*column, Held::Text((*heading).into()), Look::ColumnHeading);
    }
    vec![title, overall, inputs, stated, Row::default(), headings]
}

impl Check {
    fn holds(&self) -> bool {
        self.left.1 == self.right.1
    }

    fn row(&self, at: u32, decimals: u32) -> Result<Row, Refusal> {
        let mut row = Row::default();
        row.text(Tie::Check, self.name.clone());
        if !self.figure.is_empty() {
            row.text(Tie::Figure, self.figure);
        }
        for (column, (formula, value)) in [(Tie::Left, &self.left), (Tie::Right, &self.right)] {
            match formula {
                Some(formula) => row.live(column, formula.clone(), Held::Amount(*value)),
                None => row.value(column, Held::Amount(*value)),
            }
        }
        let difference = format!("{}-{}", Tie::Left.at(at), Tie::Right.at(at));
        let value = self.left.1.minus(self.right.1)?;
        row.live(Tie::Difference, rounded(&difference, decimals), Held::Amount(value));
        row.live(Tie::Passed, format!("{}=0", Tie::Difference.at(at)), Held::Truth(value.is_zero()));
        let basis = match (&self.left.0, &self.right.0) {
            (Some(_), Some(_)) => "both sides are formulas",
            (Some(_), None) => "the right side is the service's",
            (None, Some(_)) => "the left side is the service's",
            (None, None) => "both sides are the service's",
        };
        row.text(Tie::Basis, basis);
        Ok(row)
    }
}

/// The balance of roles by the lines of the period, credit positive. Income and expense that is closed to retained earnings is the same
/// income and expense.
fn credited(roles: &[AccountRole], at: &Rows) -> String {
    let [roles_of, movements, debits, credits] = [Journal::Role, Journal::Movement, Journal::Debit, Journal::Credit]
        .map(|column| column.span(at.first, at.journals));
    let closing = MovementKind::YearEndClosing.name();
    let but_closing = format!("{movements},\"<>{closing}\",{movements},\"<>{REVERSAL_OF}{closing}\"");
    let balances = roles.iter().map(|role| {
        let of_role = format!("{roles_of},\"{}\",{but_closing}", role.name());
        format!("SUMIFS({credits},{of_role})-SUMIFS({debits},{of_role})")
    });
    balances.collect::<Vec<_>>().join("+")
}

/// A check of the report: its sides as formulas where the workbook has what they are of.
fn of_report(
    tie: &TieOut,
    report: &RollforwardDocument,
    currency: Currency,
    at: &Rows,
) -> Result<Check, WorkbookError> {
    let (first, last) = at.total;
    let closing = |column: Line| column.of(last);
    let before_closing = |column: Line| format!("SUM({})", column.span(first, last - 1));
    let booked = |columns: &[Event]| {
        let flags = Event::Last.span(at.first, at.events);
        let sums = columns.iter().map(|column| format!("SUMIF({flags},1,{})", column.span(at.first, at.events)));
        sums.collect::<Vec<_>>().join("+")
    };
    let carrying = [Event::PrincipalAfter, Event::PremiumDiscountAfter, Event::IssueCostsAfter];
    let before = |columns: &[Event]| {
        let movements = Event::Movement.span(at.first, at.events);
        let sums =
            columns.iter().map(|column| format!("SUMIF({movements},\"opening\",{})", column.span(at.first, at.events)));
        sums.collect::<Vec<_>>().join("+")
    };
    let shown = |column: Line| format!("SUM({})", column.span(first, last));
    let amortized = |column: Line| {
        let movements = Line::Movement.span(first, last);
        let of = |name: &str| format!("SUMIF({movements},\"{name}\",{})", column.span(first, last));
        format!("{}+{}", of("amortization"), of("reversal of amortization"))
    };
    let debited = |roles: &[AccountRole]| format!("-({})", credited(roles, at));
    let by_journal = |column: Line, roles: &[AccountRole]| format!("{}+{}", column.of(first), credited(roles, at));
    let formulas = match tie.check {
        _ if report.total.len() < 2 => None,
        Equality::CarryingAcross => Some((before_closing(Line::Carrying), closing(Line::Carrying))),
        Equality::InterestAcross => Some((before_closing(Line::InterestPayable), closing(Line::InterestPayable))),
        Equality::CarryingBefore => Some((Line::Carrying.of(first), before(&carrying))),
        Equality::InterestBefore => Some((Line::InterestPayable.of(first), before(&[Event::InterestPayableAfter]))),
        Equality::CarryingBooked => Some((closing(Line::Carrying), booked(&carrying))),
        Equality::InterestBooked => Some((closing(Line::InterestPayable), booked(&[Event::InterestPayableAfter]))),
        Equality::EquityBooked => {
            Some((closing(Line::Equity), format!("SUM({})", Event::Equity.span(at.first, at.events))))
        }
        Equality::CarryingByLedger => Some((closing(Line::Carrying), by_journal(Line::Carrying, &CARRYING_AMOUNT))),
        Equality::InterestByLedger => {
            Some((closing(Line::InterestPayable), by_journal(Line::InterestPayable, &[AccountRole::InterestPayable])))
        }
        Equality::ExpenseByLedger => Some((shown(Line::Expense), debited(&EXPENSE))),
        Equality::InterestExpenseByLedger => {
            let left = format!("{}+{}", shown(Line::Coupon), shown(Line::Amortization));
            Some((left, debited(&[AccountRole::InterestExpense])))
        }
        Equality::Amortized => Some((amortized(Line::Amortization), amortized(Line::Carrying))),
        Equality::ConversionExpenseByLedger => {
            Some((shown(Line::ConversionExpense), debited(&[AccountRole::DebtConversionExpense])))
        }
        Equality::GainOrLossByLedger => Some((shown(Line::GainLoss), credited(&GAIN_OR_LOSS, at))),
        Equality::CommonStockByLedger => Some((shown(Line::CommonStock), credited(&[AccountRole::CommonStock], at))),
        Equality::PaidInCapitalByLedger => Some((shown(Line::Capital), credited(&PAID_IN_CAPITAL, at))),
        // The workbook has no schedule of what is posted later.
        Equality::CarryingScheduled | Equality::InterestScheduled | Equality::EquityScheduled => None,
    };
    let (left, right) = formulas.map_or((None, None), |(left, right)| (Some(left), Some(right)));
    Ok(Check {
        name: tie.check.name().to_owned(),
        figure: "",
        left: (left, exact(&tie.left, currency)?),
        right: (right, exact(&tie.right, currency)?),
    })
}

/// What must tie within the workbook.
fn of_workbook(at: &Rows, totals: &Totals) -> Vec<Check> {
    let (first, last) = at.total;
    let sum = |column: Journal| format!("SUM({})", column.span(at.first, at.journals));
    let shown = |column: Line| format!("SUM({})", column.span(first, last));
    let kinds = Sched::Kind.span(at.first, at.schedule);
    let scheduled = format!("SUMIF({kinds},\"closing\",{})", Sched::Carrying.span(at.first, at.schedule));
    let check = |name: &str, left: (String, Amount), right: (String, Amount)| Check {
        name: name.to_owned(),
        figure: "",
        left: (Some(left.0), left.1),
        right: (Some(right.0), right.1),
    };
    vec![
        check("debits = credits", (sum(Journal::Debit), totals.debit), (sum(Journal::Credit), totals.credit)),
        check(
            "closing = schedules at the last boundary of each issue: carrying amount",
            (Line::Carrying.of(last), totals.shown.carrying),
            (scheduled, totals.scheduled),
        ),
        check(
            "movements = journal lines: cash",
            (shown(Line::Cash), totals.shown.cash),
            (format!("-({})", credited(&[AccountRole::Cash], at)), totals.cash),
        ),
    ]
}

/// The figures of the total beside the service's, and each issue's closing carrying amount.
fn of_service(
    report: &RollforwardDocument,
    currency: Currency,
    at: &Rows,
    (sums, differing): (&[Sums], Amount),
) -> Result<Vec<Check>, WorkbookError> {
    let mut checks = Vec::new();
    for ((line, sums), row) in report.total.iter().zip(sums).zip(at.total.0..) {
        for (column, heading, _) in Line::ALL {
            let Some(text) = super::lines::service(line, *column) else { continue };
            let value = exact(text, currency)?;
            let is_balance = matches!(line.movement, "opening" | "closing");
            if value.is_zero() && !is_balance {
                continue;
            }
            checks.push(Check {
                name: super::lines::name(line),
                figure: heading,
                left: (Some(format!("N({})", column.of(row))), super::lines::shown(line, *column, sums)?),
                right: (None, value),
            });
        }
    }
    let [movements, carrying, service] =
        [Line::Movement, Line::Carrying, Line::Service].map(|column| column.span(at.issues.0, at.issues.1));
    let decimals = currency.exponent();
    checks.push(Check {
        name: "closing of each issue: what differs".to_owned(),
        figure: "Carrying amount",
        left: (
            Some(format!("SUMPRODUCT(({movements}=\"closing\")*ABS(ROUND({carrying}-{service},{decimals})))")),
            differing,
        ),
        right: (None, Amount::ZERO),
    });
    Ok(checks)
}

/// What the report says beside figures that tie: whether interest is reasonable, what was waived, and what changed since a close.
pub(super) fn notes(report: &RollforwardDocument, currency: Currency) -> Result<Vec<Row>, WorkbookError> {
    let mut rows = vec![Row::default()];
    let heading = |sentence: &'static str| {
        let mut row = Row::default();
        row.looking(Tie::Check, Held::Text(sentence.into()), Look::Heading);
        row
    };
    let pair = |name: String, figure: String, left: &str, right: Option<&str>| -> Result<Row, WorkbookError> {
        let mut row = Row::default();
        row.text(Tie::Check, name);
        row.text(Tie::Figure, figure);
        row.value(Tie::Left, Held::Amount(exact(left, currency)?));
        if let Some(right) = right {
            row.value(Tie::Right, Held::Amount(exact(right, currency)?));
        }
        Ok(row)
    };
    rows.push(heading(
        "Interest booked, and the average carrying amount at the effective rate: a reason to look, and no tie",
    ));
    let reasonable = |is: bool| if is { "within a twentieth" } else { "not within a twentieth" }.to_owned();
    let interest = &report.interest_reasonableness;
    for issue in &interest.issues {
        let of = &issue.interest;
        rows.push(pair(issue.reference.clone(), reasonable(of.reasonable), &of.booked, Some(&of.expected))?);
    }
    let total = &interest.total;
    rows.push(pair("Total".to_owned(), reasonable(total.reasonable), &total.booked, Some(&total.expected))?);
    let waivers = report.waivers.as_deref().unwrap_or_default();
    if !waivers.is_empty() {
        rows.extend([Row::default(), heading("Waived when the period was closed")]);
        for waiver in waivers {
            let mut row = Row::default();
            let expected = waiver.expected.name();
            row.text(Tie::Check, format!("{expected} of {}: {} ({})", waiver.date, waiver.reason, waiver.name));
            row.text(Tie::Figure, waiver.bond_issue.clone());
            rows.push(row);
        }
    }
    if let Some(changed) = &report.changed_since_close {
        rows.extend([Row::default(), heading("Recorded since the close: carrying amount and interest payable")]);
        for change in changed {
            let name = format!(
                "{} of {}, effective {}, posted {}",
                change.kind, change.batch, change.effective_date, change.posting_date
            );
            let amounts = &change.amounts;
            rows.push(pair(name, change.reference.clone(), &amounts.carrying_amount, Some(&amounts.interest_payable))?);
        }
    }
    Ok(rows)
}
