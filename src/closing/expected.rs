//! What is expected by the last day of a period and not recorded.

use std::collections::HashMap;

use jiff::civil::Date;

use super::{Closing, Issue};
use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::accounting::position::History;
use crate::document::{ExpectedName, InTheWay, InducementRequest, RedemptionKindName, RedemptionRequest};
use crate::posting::{self, RecordError};
use crate::reading::Valued;
use crate::store::{EventRow, Reader};

/// The dates on which holders of each issue were repaid what they put.
pub(super) struct Redemptions(HashMap<String, Vec<Date>>);

impl Redemptions {
    /// Those that matter to puts of the days that the close locks.
    pub async fn read(closing: &Closing<'_>, reader: &mut Reader<'_>) -> Result<Redemptions, RecordError> {
        let mut puts: HashMap<String, Vec<Date>> = HashMap::new();
        for event in reader.redemptions(closing.entity, &closing.from().to_string()).await? {
            if request_of::<RedemptionRequest>(&event)?.kind == RedemptionKindName::Put {
                puts.entry(event.bond_issue).or_default().push(posting::date(&event.effective_date)?);
            }
        }
        Ok(Redemptions(puts))
    }

    /// Whether holders were repaid on a put's date or after it, and before the next one.
    fn meet(&self, issue: &str, put: Date, next: Option<Date>) -> bool {
        let mut dates = self.0.get(issue).into_iter().flatten();
        dates.any(|date| *date >= put && next.is_none_or(|next| *date < next))
    }
}

/// The request that an event keeps.
fn request_of<R: serde::de::DeserializeOwned>(event: &EventRow) -> Result<R, RecordError> {
    let mut detail: serde_json::Value =
        serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
    serde_json::from_value(detail["request"].take()).map_err(|error| RecordError::corrupt("request", error))
}

/// Of an issue, what may be missing, so that its history has to be looked at.
pub(super) struct Suspect<'a> {
    issue: Issue<'a>,
    valued: Valued,
    puts: Vec<Date>,
    unpaid_maturity: bool,
}

impl<'a> Suspect<'a> {
    /// An issue with a coupon, a maturity or a put that may be expected; none if there is none.
    pub fn of(closing: &Closing<'_>, issue: Issue<'a>, valued: Valued) -> Option<Suspect<'a>> {
        let (instrument, position) = (&*valued.instrument, &valued.value.position);
        let start = instrument.start().moment.date;
        // A put that nobody used stays so: it is looked at by the close of its own period.
        let after = closing.closed_through.map_or(start, |closed| closed.max(start));
        let puts = instrument.puts_between(after, closing.through);
        let unpaid_maturity = instrument.terms().maturity_date <= closing.through && position.principal.is_positive();
        let is_one = position.interest_due.is_positive() || unpaid_maturity || !puts.is_empty();
        is_one.then_some(Suspect { issue, valued, puts, unpaid_maturity })
    }

    /// Coupons, maturity and puts of the issue that are expected and not recorded.
    fn missing(
        &self,
        closing: &Closing<'_>,
        history: &History,
        redemptions: &Redemptions,
        found: &mut Vec<InTheWay>,
    ) -> Result<(), RecordError> {
        let Suspect { issue, valued, puts, unpaid_maturity } = self;
        let (instrument, through) = (&*valued.instrument, closing.through);
        for (date, amount) in history.unpaid_coupons(through, instrument)? {
            let detail = format!(
                "the coupon of {date} of {} is due with {} and not paid; record its payment, or waive it",
                issue.reference,
                issue.figure(amount)
            );
            found.push(issue.expected(ExpectedName::CouponPayment, date, amount, detail));
        }
        // What was redeemed may be paid, and so recorded, after the last day.
        let outstanding = history.last().map_or(Amount::ZERO, |row| row.principal);
        if *unpaid_maturity && outstanding.is_positive() {
            let maturity = instrument.terms().maturity_date;
            let detail = format!(
                "{} matured on {maturity} with {} outstanding; record its redemption, or waive it",
                issue.reference,
                issue.figure(outstanding)
            );
            found.push(issue.expected(ExpectedName::Maturity, maturity, outstanding, detail));
        }
        for (at, put) in puts.iter().enumerate() {
            let outstanding = history.before(*put).map_or(Amount::ZERO, |row| row.principal);
            let next = puts.get(at + 1).copied();
            if !outstanding.is_positive() || redemptions.meet(issue.id, *put, next) {
                continue;
            }
            let detail = format!(
                "holders of {} could demand repayment on {put}, when {} was outstanding; record the redemption of what they put, or waive \
                 it if none did",
                issue.reference,
                issue.figure(outstanding)
            );
            found.push(issue.expected(ExpectedName::Put, *put, outstanding, detail));
        }
        Ok(())
    }
}

/// How many histories are read at once: each may be long.
const HISTORIES: usize = 50;

/// What is missing of issues.
pub(super) async fn of_issues(
    closing: &Closing<'_>,
    suspects: &[Suspect<'_>],
    redemptions: &Redemptions,
    reader: &mut Reader<'_>,
    found: &mut Vec<InTheWay>,
) -> Result<(), RecordError> {
    for some in suspects.chunks(HISTORIES) {
        let ids: Vec<&str> = some.iter().map(|suspect| suspect.issue.id).collect();
        let rows = reader.position_rows_of(closing.entity, &ids, closing.known).await?;
        let paid = reader.paid_coupons_of(closing.entity, &ids, closing.known).await?;
        for suspect in some {
            let of = |issue: &str| issue == suspect.issue.id;
            let history = History::new(
                rows.iter().filter(|row| of(&row.bond_issue)).map(posting::position_row).collect::<Result<_, _>>()?,
                paid.iter()
                    .filter(|row| of(&row.bond_issue))
                    .filter_map(|coupon| posting::paid_coupon(coupon).transpose())
                    .collect::<Result<_, _>>()?,
            );
            suspect.missing(closing, &history, redemptions, found)?;
        }
    }
    Ok(())
}

/// Offers that were accepted and are not settled.
pub(super) async fn settlements(
    closing: &Closing<'_>,
    reader: &mut Reader<'_>,
    found: &mut Vec<InTheWay>,
) -> Result<(), RecordError> {
    for event in reader.unsettled_acceptances(closing.entity, &closing.through.to_string()).await? {
        let missing = || RecordError::corrupt("event", "an event of no issue");
        let row = reader.bond_issue(closing.entity, &event.bond_issue).await?.ok_or_else(missing)?;
        let unknown = || RecordError::corrupt("currency", "a code that is not in ISO 4217");
        let currency = Currency::from_code(&row.currency).ok_or_else(unknown)?;
        let issue = Issue { id: &row.id, reference: &row.reference, currency };
        let principal = request_of::<InducementRequest>(&event)?.offer(currency)?.principal;
        let date = posting::date(&event.effective_date)?;
        let detail = format!(
            "an offer to holders of {} was accepted on {date} for {} (the event {}) and is not settled; record the inducement with \
             `acceptance`, or waive it",
            issue.reference,
            issue.figure(principal),
            event.id
        );
        found.push(issue.expected(ExpectedName::InducementSettlement, date, principal, detail));
    }
    Ok(())
}
