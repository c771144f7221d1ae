//! A rollforward as a workbook whose figures are formulas down to the terms that were put in: `Rollforward` sums `Events`, which take
//! balances from `Schedule`, which is computed from `Inputs`; `Journals` are amounts of `Events`, and `Checks` compares. Every formula has
//! our figure beside it, so that a reader who computes nothing anew shows what the service said.
//!
//! The modules say what each cell is; [`Book`] only places and writes them. Issues come a page at a time, and what is written of them goes
//! to temporary files.

mod amounts;
mod basis;
mod between;
mod candidates;
mod checks;
mod columns;
mod events;
mod figures;
mod inputs;
mod journals;
mod lines;
mod moved;
mod rate;
mod schedule;

use std::io::Write;

use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook};

use self::columns::{Event, Input, Journal, Line, Sched, Tie};
use self::events::Entries;
use self::figures::{exact, is_too_wide};
use self::lines::{Place, Sums};
use self::moved::Moved;
use self::schedule::Schedule;
use super::WorkbookError;
use super::cell::{Column, Held, Look, Row, Rules, Sheet};
use super::formats::Formats;
use crate::accounting::Currency;
use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reading::{CAUTION, EntryBooks, IssueBooks, RollforwardDocument};

/// The rows of the sentence under the title of a sheet behind the first.
const SENTENCE: usize = 2;
/// The row of the headings of these sheets, whose rows begin after it.
const HEAD: u32 = 4;
const FIRST: u32 = HEAD + 1;
/// The same of the first sheet.
const LINES_HEAD: u32 = 8;

/// A workbook in the making.
pub struct Book {
    workbook: Workbook,
    formats: Formats,
    currency: Currency,
    inputs: Sheet,
    schedule: Sheet,
    events: Sheet,
    journals: Sheet,
    places: Vec<Place>,
    totals: checks::Totals,
    rules: Rules,
}

impl Book {
    /// Begins the workbook of a report, whose sheets may have so many rows.
    ///
    /// # Errors
    /// When a temporary file cannot be made.
    pub fn begin(report: &RollforwardDocument, most_rows: u32) -> Result<Book, WorkbookError> {
        let currency = Currency::from_code(&report.currency).ok_or(WorkbookError::Apart("its currency is unknown"))?;
        let rules = Rules { without_formulas: is_too_wide(report), most_rows };
        let mut workbook = Workbook::new();
        let title = title(report);
        let mut properties = DocProperties::new().set_title(title).set_comment(CAUTION);
        let seconds = report.known_at.split('.').next();
        if let Some(Ok(time)) = seconds.map(ExcelDateTime::parse_from_str) {
            properties = properties.set_creation_datetime(&time);
        }
        workbook.set_properties(&properties);
        let formats = Formats::of(&report.currency);
        let mut book = Book {
            inputs: Sheet::new::<Input>(&mut workbook, currency, rules)?,
            schedule: Sheet::new::<Sched>(&mut workbook, currency, rules)?,
            events: Sheet::new::<Event>(&mut workbook, currency, rules)?,
            journals: Sheet::new::<Journal>(&mut workbook, currency, rules)?,
            workbook,
            formats,
            currency,
            places: Vec::new(),
            totals: checks::Totals::default(),
            rules,
        };
        book.head()?;
        Ok(book)
    }

    fn head(&mut self) -> Result<(), WorkbookError> {
        let formats = &self.formats;
        for (sheet, title, sentence) in [
            (
                &mut self.inputs,
                "Inputs",
                "Coloured cells may be changed: everything follows from them. Days and dates are values, as they do not depend on the rates. \
                 The search for a rate needs no macro: a guess and five steps.",
            ),
            (
                &mut self.schedule,
                "Schedule",
                "What is carried for one unit of principal, less 1, at the start, at the end of each period and at the other boundaries of \
                 entries; beside it the schedule of the principal that was issued.",
            ),
            (
                &mut self.events,
                "Events",
                "Balances are rounded, not movements: what moves is what is outstanding times the unit of the schedule, rounded, less what was \
                 booked before. Figures that no formula leads to are stated, and the column Figures says which.",
            ),
            (
                &mut self.journals,
                "Journals",
                "The lines of each entry, as amounts of its row in Events. Account roles and accounts are those that were posted.",
            ),
        ] {
            title_rows(sheet, title, sentence, formats)?;
        }
        self.inputs.headings::<Input>(formats)?;
        self.schedule.headings::<Sched>(formats)?;
        self.events.headings::<Event>(formats)?;
        self.journals.headings::<Journal>(formats)
    }

    /// Adds issues, in the order of the report.
    ///
    /// # Errors
    /// [`WorkbookError::TooLong`].
    pub fn add(&mut self, issues: &[IssueBooks]) -> Result<(), WorkbookError> {
        issues.iter().try_for_each(|books| self.issue(books))
    }

    fn issue(&mut self, books: &IssueBooks) -> Result<(), WorkbookError> {
        let decimals = u32::from(self.currency.exponent());
        let (input, first) = (self.inputs.next, self.events.next);
        let schedule = Schedule::new(
            &books.instrument,
            &books.reference,
            (decimals, input, self.schedule.next),
            &events::boundaries(books),
        );
        for row in schedule.rows()? {
            self.schedule.write(&row, &self.formats)?;
        }
        let mut entries = Entries::new(books, &schedule, decimals, input);
        let opening = entries.opening(first, books.entries.is_empty())?;
        self.events.write(&opening, &self.formats)?;
        let mut place = Place {
            id: books.id.clone(),
            events: (first, first),
            opening: opening_sums(books),
            movements: std::collections::BTreeMap::new(),
        };
        for (entry, number) in books.entries.iter().zip(1..) {
            let (at, is_last) = (self.events.next, number == books.entries.len());
            place.movements.entry(entry.row.movement.clone()).or_default().add(&Moved::of(entry)?)?;
            let posted = entries.entry(entry, at, is_last)?;
            let mut row = posted.row;
            self.link(&mut row, entry);
            self.events.write(&row, &self.formats)?;
            for line in journals::rows(entry, &books.reference, &posted.figures, at)? {
                self.journals.write(&line, &self.formats)?;
            }
            self.count(entry)?;
            place.events.1 = at;
        }
        let closing = entries.closing(place.events.1)?;
        self.totals.scheduled = self.totals.scheduled.plus(closing.carrying)?;
        let row = schedule.closing_row(self.schedule.next, &closing);
        self.schedule.write(&row, &self.formats)?;
        let row = inputs::row(books, &schedule, input, entries.stated)?;
        self.inputs.write(&row, &self.formats)?;
        self.places.push(place);
        Ok(())
    }

    /// Where an entry's lines are.
    fn link(&self, row: &mut Row, entry: &EntryBooks) {
        let first = self.journals.next;
        let last = first + u32::try_from(entry.lines.len()).unwrap_or_default().saturating_sub(1);
        let text = format!("{} {first} to {last}", Journal::SHEET);
        let formula = format!("HYPERLINK(\"#{}!{}\",\"{text}\")", Journal::SHEET, Journal::Batch.at(first));
        row.live(Event::Lines, formula, Held::Text(text.into()));
    }

    fn count(&mut self, entry: &EntryBooks) -> Result<(), Refusal> {
        let totals = &mut self.totals;
        for line in &entry.lines {
            let credit = line.amount.negated()?;
            totals.debit = totals.debit.plus(line.amount.positive_part())?;
            totals.credit = totals.credit.plus(credit.positive_part())?;
            if line.role == AccountRole::Cash.name() {
                totals.cash = totals.cash.plus(line.amount)?;
            }
        }
        Ok(())
    }

    /// Writes the first two sheets, and the workbook.
    ///
    /// # Errors
    /// [`WorkbookError::TooLong`]; those of `out`.
    pub fn finish(mut self, report: &RollforwardDocument, out: impl Write + Send) -> Result<(), WorkbookError> {
        let mut lines = Sheet::new::<Line>(&mut self.workbook, self.currency, self.rules)?;
        let total_first = LINES_HEAD + 1;
        let total_last = LINES_HEAD + length(report.total.len());
        let beside = report.comparative.as_ref().map_or(&[] as &[_], |beside| &beside.total);
        // An empty row before the issues, and one before the days beside with what those are.
        let issues_first = total_last + 2 + if beside.is_empty() { 0 } else { length(beside.len()) + 2 };
        let issues_last =
            issues_first + length(report.issues.iter().map(|issue| issue.lines.len()).sum::<usize>()).max(1) - 1;
        let (mut total, mut sums_of_total) = (Vec::new(), Vec::new());
        for (line, at) in report.total.iter().zip(total_first..) {
            let (row, sums) = lines::total(line, at, (issues_first, issues_last), &self.places)?;
            self.note(line.movement, &sums)?;
            total.push(row);
            sums_of_total.push(sums);
        }
        let rows = checks::Rows {
            first: FIRST,
            inputs: last_row(&self.inputs),
            schedule: last_row(&self.schedule),
            events: last_row(&self.events),
            journals: last_row(&self.journals),
            total: (total_first, total_last),
            issues: (issues_first, issues_last),
        };
        let differing = lines::differing(report, &self.places, self.currency)?;
        let (of_checks, answer) =
            checks::rows(report, self.currency, &rows, &self.totals, (&sums_of_total, differing))?;
        self.lines_head(&mut lines, report, answer)?;
        for row in &total {
            lines.write(row, &self.formats)?;
        }
        if let Some(comparative) = report.comparative.as_ref().filter(|_| !beside.is_empty()) {
            lines.skip();
            let mut row = Row::default();
            let days = format!("Comparative: {} to {}, values of the service", comparative.from, comparative.to);
            row.looking(Line::Reference, Held::Text(days.into()), Look::Heading);
            lines.write(&row, &self.formats)?;
            for line in beside {
                lines.write(&lines::beside(line, self.currency)?, &self.formats)?;
            }
        }
        lines.skip();
        for (issue, place) in report.issues.iter().zip(&self.places) {
            let first = lines.next;
            for line in &issue.lines {
                let service =
                    (line.movement == "closing").then(|| exact(&line.carrying_amount, self.currency)).transpose()?;
                let row = lines::of_issue(line, &issue.reference, (first, lines.next), place, service)?;
                lines.write(&row, &self.formats)?;
            }
        }
        let mut checks = Sheet::new::<Tie>(&mut self.workbook, self.currency, self.rules)?;
        let notes = checks::notes(report, self.currency)?;
        for row in of_checks.into_iter().chain(notes) {
            checks.write(&row, &self.formats)?;
        }
        let (name, cell) = checks::OVERALL;
        self.workbook.define_name(name, cell)?;
        self.save(report, lines, checks, out)
    }

    /// What a line of the total adds to the sums that checks compare.
    fn note(&mut self, movement: &str, sums: &Sums) -> Result<(), Refusal> {
        let shown = &mut self.totals.shown;
        match movement {
            "opening" | "amortization" | "coupon_accrued" => {}
            "closing" => {
                let parts = [Event::Principal, Event::PremiumDiscount, Event::IssueCosts];
                shown.carrying = Amount::total(parts.map(|column| sums.of(column)))?;
            }
            _ => shown.cash = shown.cash.plus(sums.of(Event::Cash))?,
        }
        Ok(())
    }

    fn lines_head(
        &self,
        lines: &mut Sheet,
        report: &RollforwardDocument,
        answer: &'static str,
    ) -> Result<(), WorkbookError> {
        let mut row = Row::default();
        row.looking(Line::Reference, Held::Text(title(report).into()), Look::Title);
        lines.write(&row, &self.formats)?;
        let mut row = Row::default();
        row.looking(Line::Reference, Held::Text("Everything ties".into()), Look::Heading);
        row.live(Line::Movement, "Checks!$B$2".to_owned(), Held::Text(answer.into()));
        row.looking(Line::Class, Held::Text("Inputs are".into()), Look::Heading);
        row.live(Line::Entries, "Checks!$B$3".to_owned(), Held::Text("as recorded".into()));
        row.text(Line::Principal, format!("Known at {}", report.known_at));
        lines.write(&row, &self.formats)?;
        lines.sentence(CAUTION, 2, &self.formats)?;
        lines.sentence(if self.rules.without_formulas { WIDE } else { READ }, 3, &self.formats)?;
        lines.headings::<Line>(&self.formats)
    }

    fn save(
        mut self,
        report: &RollforwardDocument,
        mut lines: Sheet,
        mut checks: Sheet,
        out: impl Write + Send,
    ) -> Result<(), WorkbookError> {
        let header = format!("&L{}&R&A", title(report).replace('&', "&&"));
        lines.print::<Line>(LINES_HEAD, &header)?;
        checks.print::<Tie>(checks::HEAD, &header)?;
        self.inputs.print::<Input>(HEAD, &header)?;
        self.schedule.print::<Sched>(HEAD, &header)?;
        self.events.print::<Event>(HEAD, &header)?;
        self.journals.print::<Journal>(HEAD, &header)?;
        let frozen = [
            (&mut lines, LINES_HEAD, 2),
            (&mut checks, checks::HEAD, 1),
            (&mut self.inputs, HEAD, 1),
            (&mut self.schedule, HEAD, 2),
            (&mut self.events, HEAD, 2),
            (&mut self.journals, HEAD, 1),
        ];
        for (sheet, head, columns) in frozen {
            sheet.sheet.set_freeze_panes(head, columns)?;
        }
        for sheet in [lines, checks, self.inputs, self.schedule, self.events, self.journals] {
            self.workbook.push_worksheet(sheet.sheet);
        }
        Ok(self.workbook.save_to_writer(out)?)
    }
}

const READ: &str = "Follow a figure: its formula sums rows of Events, whose formula reads Schedule and Inputs; the column Entries behind it, \
                    and there Journal lines, lead to the entries. Amounts of liabilities are credit positive; expense and cash received are \
                    positive. Change coloured cells of Inputs and compute anew to see what follows.";
const WIDE: &str = "A spreadsheet keeps 15 significant digits of a number. This report has amounts of so many that sums would lose their \
                    last ones: it has values instead of formulas, amounts of more digits are text, and JSON and CSV are exact.";

fn title(report: &RollforwardDocument) -> String {
    let period = report.period.as_ref().map(|period| format!(", period {period}")).unwrap_or_default();
    format!("Rollforward of {}, {} to {}{period}, {}", report.entity, report.from, report.to, report.currency)
}

fn title_rows(sheet: &mut Sheet, title: &str, sentence: &'static str, formats: &Formats) -> Result<(), WorkbookError> {
    let title = Held::Text(title.to_owned().into());
    let row = Row(vec![super::cell::Cell { column: 0, held: title, formula: None, look: Look::Title }]);
    sheet.write(&row, formats)?;
    sheet.sentence(sentence, SENTENCE, formats)
}

fn length(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX / 4)
}

/// The last row that was written, or the first that could have been.
fn last_row(sheet: &Sheet) -> u32 {
    (sheet.next - 1).max(FIRST)
}

fn opening_sums(books: &IssueBooks) -> Sums {
    let mut sums = Sums::default();
    if let Some(opening) = books.opening {
        let components = opening.booked.components;
        for (column, amount) in [
            (Event::Principal, components.principal),
            (Event::PremiumDiscount, components.premium_discount),
            (Event::IssueCosts, components.issue_costs),
            (Event::InterestPayable, components.interest_payable),
            (Event::InterestReceivable, components.interest_receivable),
            (Event::Equity, components.equity_component),
        ] {
            sums.set(column, amount);
        }
    }
    sums
}
