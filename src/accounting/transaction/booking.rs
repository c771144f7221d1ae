//! How accruals, events and take-backs become dated postings, and what is booked after them.

use std::sync::Arc;

use jiff::civil::Date;

use super::reversal::PostedEntry;
use super::{Books, OwnEntries};
use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, LineDraft, LinePart, MovementKind, Posting, signed,
};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, History};
use crate::accounting::refusal::Refusal;

/// What is booked by postings up to a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BookedRow {
    pub posting_date: Date,
    pub components: Components,
    /// The moment to which those postings accrue the issue.
    pub accrued: Moment,
    /// What backdated events take back of it at the next close; none where nothing is.
    pub later: Option<TakenBackLater>,
}

/// What is still to be posted at the moment to which a row accrues the issue: backdated events take interest back at the close of
/// each fiscal period, and the moment lies before such a close.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TakenBackLater {
    /// The last of it is posted on this date.
    pub posting_date: Date,
    /// Without principal, which moves at once.
    pub amounts: Components,
}

impl TakenBackLater {
    fn plus(self, other: &TakenBackLater) -> Result<TakenBackLater, Refusal> {
        let amounts = self.amounts.plus(&other.amounts)?;
        Ok(TakenBackLater { posting_date: self.posting_date.max(other.posting_date), amounts })
    }
}

/// Postings in the making.
pub(super) struct Journal<'a> {
    books: &'a Books,
    postings: Vec<Posting>,
    /// Where accruals posted here end, by posting date.
    accrued: Vec<(Date, Moment)>,
    /// What is left at moments that were accrued to before, until the part that covers them.
    later: Vec<(Moment, TakenBackLater)>,
    /// All that is booked, these postings included.
    pub booked: Components,
    /// What the premium account holds beyond what is booked above par, and the discount account holds too little: an inverse moves
    /// the accounts that its original moved, though the one or the other may have been used up since.
    premium_beyond: Amount,
}

impl<'a> Journal<'a> {
    pub fn new(books: &'a Books) -> Journal<'a> {
        Journal {
            books,
            postings: Vec::new(),
            accrued: Vec::new(),
            later: Vec::new(),
            booked: books.booked_total(),
            premium_beyond: Amount::ZERO,
        }
    }

    /// Accrues the issue from where it was accrued last to `end`, cut at the close of each fiscal period. What is posted is the
    /// balance computed less the balance booked, so nothing drifts.
    pub fn accrue_to(&mut self, end: Moment) -> Result<(), Refusal> {
        let close_of = |last| self.books.instrument.close_of(last);
        for part in self.parts(self.books.accrued(), end, close_of, |moment| moment.boundary) {
            let computed = self.books.history.position(part, &self.books.instrument)?.components()?;
            let change = computed.minus(&self.booked)?;
            self.accrued.push((self.books.calendar.posting_date(part.date), part));
            self.post_interest(EntryKind::Accrual, part, &change)?;
        }
        Ok(())
    }

    /// Posts the inverse of an entry: on the day on which that was posted, or the first open one after it.
    pub fn post_inverse(&mut self, of: &PostedEntry, entry: Entry) -> Result<(), Refusal> {
        let above_par = |booked: &Components| booked.premium_discount.positive_part();
        let after = self.booked.plus(&components_of(&entry))?;
        let expected = above_par(&after).minus(above_par(&self.booked))?;
        let moved = entry.credited(AccountRole::PremiumOnBondsPayable)?;
        self.premium_beyond = self.premium_beyond.plus(moved)?.minus(expected)?;
        self.booked = after;
        self.postings.push(Posting {
            posting_date: self.books.calendar.posting_date(of.posting_date),
            effective_date: of.effective_date,
            movement_kind: of.movement_kind,
            reverses: Some(Arc::clone(&of.batch)),
            entry,
        });
        Ok(())
    }

    /// Posts an event's own entries.
    pub fn post_own(&mut self, own: OwnEntries) -> Result<(), Refusal> {
        for (date, movement_kind, entry) in own {
            if let Some(entry) = entry {
                self.post(date, movement_kind, entry)?;
            }
        }
        Ok(())
    }

    /// Takes back, on the principal that an event moved in the past, what was booked on it since: the change that the event makes
    /// in each later balance less the change that is `posted` already of what is effective by then. `revised` is the issue after
    /// it.
    pub fn take_back(
        &mut self,
        from: Moment,
        history: &History,
        revised: &Instrument,
        posted: impl Fn(Date) -> Result<Components, Refusal>,
    ) -> Result<(), Refusal> {
        let books = self.books;
        let computed = |moment: Moment| history.position(moment, revised)?.components();
        let before = |moment: Moment| books.history.position(moment, &books.instrument)?.components();
        let change_at = |moment: Moment| computed(moment)?.minus(&before(moment)?);
        let mut accrued: Vec<Moment> = books.booked.iter().map(|row| row.accrued).collect();
        accrued.dedup();
        let mut taken_back = Components::default();
        let mut reached = from;
        let end = books.accrued();
        // Nothing accrues after maturity: days after it follow each other by their dates alone. Coupons are paid on them, which a
        // reversal takes back, and what was overpaid with them becomes receivable on them.
        let maturity = revised.terms().maturity_date.max(books.instrument.terms().maturity_date);
        let place = |moment: &Moment| (moment.boundary.min(maturity), moment.date);
        // A close to which the issue was accrued is that of then, though a revision may have moved coupon dates, month-ends or the
        // maturity since.
        let close_of = |last| {
            let then = accrued.iter().rev().find(|moment| moment.date == last).copied();
            let (was, is) = (books.instrument.close_of(last), revised.close_of(last));
            then.unwrap_or(if is.boundary > was.boundary { is } else { was })
        };
        let mut parts = self.parts(from, end, close_of, place);
        // At the event's own moment there is something left only where a reversal meets other events.
        if parts.first() != Some(&from) && accrued.contains(&from) {
            parts.insert(0, from);
        }
        for part in parts {
            let posting_date = books.calendar.posting_date(part.date);
            let left = |moment: Moment, whole: Components| whole.minus(&posted(moment.date)?.plus(&taken_back)?);
            let is_reached = |moment: &&Moment| place(moment) <= place(&reached);
            let between = accrued.iter().skip_while(is_reached).take_while(|moment| place(moment) < place(&part));
            for moment in between {
                let amounts = left(*moment, change_at(*moment)?)?;
                self.later.push((*moment, TakenBackLater { posting_date, amounts }));
            }
            // At the end it is the balance less what is booked, as for an accrual.
            let whole = if part == end { computed(part)?.minus(&books.booked_total())? } else { change_at(part)? };
            let change = left(part, whole)?;
            self.post_interest(EntryKind::CatchUp, part, &change)?;
            (taken_back, reached) = (taken_back.plus(&change)?, part);
        }
        Ok(())
    }

    /// The postings and the booked rows that they change.
    pub fn finish(self) -> Result<(Vec<Posting>, Vec<BookedRow>), Refusal> {
        let mut postings = self.postings;
        postings.sort_by_key(|posting| posting.posting_date);
        let first = self.books.instrument.before_start();
        let booked_rows = booked_rows(&self.books.booked, &postings, &self.accrued, &self.later, first)?;
        Ok((postings, booked_rows))
    }

    /// The moments at which interest from one moment to another is cut: the close of each fiscal period in between, in the order of their
    /// places, then the end, which is a part of its own even where no day passes before it: events on its date count at it, and not
    /// at the close of the day before.
    fn parts<Place: Ord>(
        &self,
        from: Moment,
        end: Moment,
        close_of: impl Fn(Date) -> Moment,
        place: impl Fn(&Moment) -> Place,
    ) -> Vec<Moment> {
        let closes = self.books.calendar.period_ends_from(from.date).take_while(|last| *last < end.date);
        let mut parts: Vec<Moment> = closes.map(close_of).filter(|close| place(&from) < place(close)).collect();
        parts.dedup_by_key(|part| place(part));
        parts.push(end);
        parts
    }

    fn post_interest(&mut self, kind: EntryKind, part: Moment, change: &Components) -> Result<(), Refusal> {
        let lines = self.interest_lines(kind, part, change)?;
        let coupon = change.interest_payable.minus(change.interest_receivable)?;
        let what = if kind == EntryKind::Accrual { "Interest accrued" } else { "Interest taken back" };
        self.premium_beyond = Amount::ZERO;
        let Some(entry) = Entry::new(kind, format!("{what} through {}", part.date), lines)? else { return Ok(()) };
        let late = self.books.calendar.posting_date(part.date) != part.date;
        let movement_kind = if late { MovementKind::PriorPeriodCatchUp } else { MovementKind::Accrual };
        self.post(part.date, movement_kind, entry.with_coupon_interest(coupon))
    }

    /// The lines of interest: Dr interest expense and premium, Cr interest payable, discount and debt issue costs; coupon and
    /// amortization apart (ASC 835-30-35-2).
    fn interest_lines(&self, kind: EntryKind, part: Moment, change: &Components) -> Result<Vec<LineDraft>, Refusal> {
        let derive = |booked: Amount, change: Amount| self.derivation(kind, part, booked, change);
        let coupon = change.interest_payable.minus(change.interest_receivable)?;
        let interest = derive(self.booked.interest_payable, change.interest_payable)?;
        let receivable = derive(self.booked.interest_receivable, change.interest_receivable)?;
        let premium = derive(self.booked.premium_discount, change.premium_discount)?;
        let costs = derive(self.booked.issue_costs, change.issue_costs)?;
        let memo = ("Amortization of premium", "Amortization of discount");
        let spread = premium_discount_lines(
            self.booked.premium_discount,
            change.premium_discount,
            self.premium_beyond,
            memo,
            &premium,
        )?;
        let mut lines = vec![
            signed(AccountRole::InterestExpense, coupon, LinePart::CouponInterest.memo(), interest.clone()),
            signed(
                AccountRole::InterestReceivable,
                change.interest_receivable,
                "Interest overpaid to holders",
                receivable,
            ),
            signed(
                AccountRole::InterestPayable,
                change.interest_payable.negated()?,
                LinePart::CouponInterest.memo(),
                interest,
            ),
            signed(AccountRole::InterestExpense, change.premium_discount, LinePart::AmortizedSpread.memo(), premium),
        ];
        lines.extend(spread);
        // A rounding unit of the equity component stays in equity.
        let equity = derive(self.booked.equity_component, change.equity_component)?;
        lines.push(signed(
            AccountRole::EquityComponent,
            change.equity_component.negated()?,
            "Equity component",
            equity.clone(),
        ));
        lines.push(signed(AccountRole::AdditionalPaidInCapital, change.equity_component, "Equity component", equity));
        lines.push(signed(
            AccountRole::InterestExpense,
            change.issue_costs,
            LinePart::AmortizedIssueCosts.memo(),
            costs.clone(),
        ));
        lines.push(signed(
            AccountRole::DebtIssueCosts,
            change.issue_costs.negated()?,
            LinePart::AmortizedIssueCosts.memo(),
            costs,
        ));
        Ok(lines)
    }

    /// Why a component changes: what is booked of it, what it must be at the moment, and the rates behind that.
    fn derivation(&self, kind: EntryKind, part: Moment, booked: Amount, change: Amount) -> Result<Derivation, Refusal> {
        let instrument = self.books.instrument.on(part.date);
        let terms = instrument.terms();
        let rule = match kind {
            EntryKind::CatchUp => {
                "what was booked after the event's date on the principal it moved is taken back: balance after - balance booked"
            }
            _ => "balance computed at the effective rate through the date - balance booked",
        };
        Ok(Derivation::new(rule, "ASC 835-30-35-2")
            .with("through", part.date)
            .with("boundary", part.boundary)
            .with("principal", self.booked.principal.to_major(terms.currency))
            .with("coupon_rate", terms.coupon_rate)
            .with("effective_rate", instrument.nominal_annual_rate().round_dp(12).normalize())
            .with("balance_booked", booked.to_major(terms.currency))
            .with("balance_after", booked.plus(change)?.to_major(terms.currency)))
    }

    fn post(&mut self, effective_date: Date, movement_kind: MovementKind, entry: Entry) -> Result<(), Refusal> {
        self.booked = self.booked.plus(&components_of(&entry))?;
        let posting_date = self.books.calendar.posting_date(effective_date);
        self.postings.push(Posting { posting_date, effective_date, movement_kind, reverses: None, entry });
        Ok(())
    }
}

/// The rows of what is booked that postings change: from their first posting date on, each of theirs and of the accrual's, and every
/// later one there is.
pub(super) fn booked_rows(
    booked: &[BookedRow],
    postings: &[Posting],
    accrued: &[(Date, Moment)],
    later: &[(Moment, TakenBackLater)],
    unaccrued: Moment,
) -> Result<Vec<BookedRow>, Refusal> {
    let Some(first) = postings.iter().map(|posting| posting.posting_date).min() else { return Ok(Vec::new()) };
    // The first parts of an accrual may be too small to post: between the 30th and the 31st some counts see no day.
    let first = accrued.iter().map(|(posted, _)| *posted).fold(first, Date::min);
    // What is posted in an open period may belong to moments that were accrued to in closed ones.
    let is_behind = |row: &&BookedRow| later.iter().any(|(moment, _)| *moment == row.accrued);
    let first = booked.iter().find(is_behind).map_or(first, |row| row.posting_date.min(first));
    let known = booked.iter().map(|row| row.posting_date).filter(|date| *date >= first);
    // A part of an accrual that is too small to post has a row too, as the issue is accrued that far.
    let parts = accrued.iter().map(|(posted, _)| *posted).filter(|date| *date >= first);
    let mut dates: Vec<Date> = postings.iter().map(|posting| posting.posting_date).chain(parts).chain(known).collect();
    dates.sort_unstable();
    dates.dedup();
    dates
        .into_iter()
        .map(|date| {
            let base = booked.iter().rev().find(|row| row.posting_date <= date);
            let components = postings
                .iter()
                .filter(|posting| posting.posting_date <= date)
                .try_fold(base.map_or_else(Components::default, |row| row.components), |sum, posting| {
                    sum.plus(&components_of(&posting.entry))
                })?;
            let own = accrued.iter().filter(|(posted, _)| *posted <= date).map(|(_, moment)| *moment);
            let accrued = own
                .chain(base.map(|row| row.accrued))
                .max_by_key(|moment| (moment.boundary, moment.date))
                .unwrap_or(unaccrued);
            // An accrual of one's own brings everything up to its moment, so nothing is left for later.
            let of_base = base.filter(|row| row.accrued == accrued).and_then(|row| row.later);
            let own = later.iter().filter(|(moment, _)| *moment == accrued).map(|(_, later)| *later);
            let open = own.chain(of_base).filter(|later| date < later.posting_date);
            let later = open.map(Ok).reduce(|sum, next| sum?.plus(&next?)).transpose()?;
            let later = later.filter(|later| later.amounts != Components::default());
            Ok(BookedRow { posting_date: date, components, accrued, later })
        })
        .collect()
}

pub(super) fn components_of(entry: &Entry) -> Components {
    let movement = entry.movement();
    Components {
        principal: movement.principal,
        premium_discount: movement.premium_discount,
        issue_costs: movement.issue_costs,
        interest_payable: movement.interest_payable,
        interest_receivable: movement.interest_receivable,
        equity_component: movement.equity_component,
    }
}

/// Lines that change premium and discount from one booked balance to another: what is above nothing is a premium, what is below
/// a discount. `beyond` is what the premium account holds beyond that before.
pub(super) fn premium_discount_lines(
    booked: Amount,
    change: Amount,
    beyond: Amount,
    memo: (&'static str, &'static str),
    derivation: &Derivation,
) -> Result<[LineDraft; 2], Refusal> {
    let after = booked.plus(change)?;
    let premium = booked.positive_part().plus(beyond)?.minus(after.positive_part())?;
    let discount = booked.negative_part().minus(beyond)?.minus(after.negative_part())?;
    Ok([
        signed(AccountRole::PremiumOnBondsPayable, premium, memo.0, derivation.clone()),
        signed(AccountRole::DiscountOnBondsPayable, discount, memo.1, derivation.clone()),
    ])
}
