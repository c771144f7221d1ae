//! Whether terms are substantially different: the test of ten percent on the present values of payments (ASC 470-50-40-10 and 40-12;
//! IFRS 9 B3.3.6).

use jiff::ToSpan;
use jiff::civil::Date;
use rust_decimal::Decimal;

use super::Books;
use crate::accounting::framework::Framework;
use crate::accounting::instrument::{Effect, ExpectedRedemption, Instrument, Revision};
use crate::accounting::money::{Amount, worth_of};
use crate::accounting::refusal::Refusal;

/// At what the issuer may prepay at once, as a fraction of principal.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CallableAt {
    pub before: Option<Decimal>,
    pub after: Option<Decimal>,
}

/// What the test found. Present values are of the principal outstanding, with accrued interest, at the original effective rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TenPercent {
    /// Nominal annual.
    pub effective_rate: Decimal,
    /// From when the terms are that the new ones are compared with, where they are not those in force.
    pub compared_terms: Option<Date>,
    pub before: Amount,
    /// Without fees.
    pub after: Amount,
    pub fees: Amount,
    /// Of what remained before, fees added, in percent and to six decimals; not signed.
    pub change_percent: Decimal,
    /// How the compared payments end.
    pub assumed: (Ending, Ending),
    pub is_substantial: bool,
}

/// How payments end that are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    Maturity,
    /// The put of the terms, or the redemption that is expected.
    EarlierRedemption,
    /// The issuer prepays at once.
    Call,
}

impl Ending {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Ending::Maturity => "maturity",
            Ending::EarlierRedemption => "earlier_redemption",
            Ending::Call => "call",
        }
    }
}

/// Changes that differ by less are the same: where terms scale every payment, each end of them changes by the same share, and the last
/// digits of decimals would choose between them. Of those the first is told: to maturity before an earlier redemption, then a call.
const SAME: Decimal = Decimal::from_parts(1, 0, 0, false, 20);

impl TenPercent {
    /// Compares the payments after a revision with those that remained before it. Under US GAAP the terms of one year before are those
    /// compared with if the debt was modified since, and where the bonds can be called or put the smallest change counts (ASC
    /// 470-50-40-12); under IFRS payments are those that the effective rate is of.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub(super) fn of(
        books: &Books,
        date: Date,
        revision: &Revision,
        (principal, fees): (Amount, Amount),
        callable_at: CallableAt,
        framework: Framework,
    ) -> Result<TenPercent, Refusal> {
        let original = match framework {
            Framework::UsGaap => one_year_before(&books.instrument, date),
            Framework::Ifrs => &books.instrument,
        };
        let rate = original.rates().net;
        let (before, after) = match framework {
            Framework::UsGaap => {
                let terms = (original.terms(), revision.terms());
                let before = endings(terms.0.amortization_end, terms.0.maturity_date, terms.0.redemption_price, date);
                let after = endings(terms.1.amortization_end, terms.1.maturity_date, terms.1.redemption_price, date);
                let price = |percent: Decimal| Ok((Ending::Call, percent + revision.accrued()));
                let worth = |(ending, end)| Ok((ending, original.worth_to(date, end, rate)?));
                let before = before.into_iter().map(worth).chain(callable_at.before.map(price));
                let worth = |(ending, end)| Ok((ending, revision.worth_to(end, rate)?));
                let after = after.into_iter().map(worth).chain(callable_at.after.map(price));
                (before.collect::<Result<Vec<_>, Refusal>>()?, after.collect::<Result<Vec<_>, Refusal>>()?)
            }
            Framework::Ifrs => (
                vec![(Ending::Maturity, original.worth_from(date, rate)?)],
                vec![(Ending::Maturity, revision.worth(rate)?)],
            ),
        };
        let unit_fees = Decimal::from(fees.minor()) / Decimal::from(principal.minor());
        let pairs = before.iter().flat_map(|before| after.iter().map(move |after| (*before, *after)));
        let mut smallest: Option<(Decimal, _, _)> = None;
        for (before, after) in pairs {
            let change = relative(after.1 + unit_fees - before.1, before.1)?;
            if smallest.is_none_or(|(known, ..)| known - change > SAME) {
                smallest = Some((change, before, after));
            }
        }
        let (change, before, after) = smallest.ok_or(Refusal::Overflow)?;
        Ok(TenPercent {
            effective_rate: rate * Decimal::from(original.terms().periods_per_year()),
            compared_terms: books
                .instrument
                .revised_on()
                .filter(|_| !std::ptr::eq(original, &*books.instrument))
                .map(|_| original.revised_on().unwrap_or(original.start().moment.date)),
            before: worth_of(principal, before.1)?,
            after: worth_of(principal, after.1)?,
            fees,
            change_percent: change.checked_mul(Decimal::ONE_HUNDRED).ok_or(Refusal::Overflow)?.round_dp(6).normalize(),
            assumed: (before.0, after.0),
            is_substantial: is_substantial(change),
        })
    }
}

/// At least ten percent.
///
/// ```
/// use parwright::accounting::transaction::ten_percent::is_substantial;
/// use rust_decimal::Decimal;
/// assert!(is_substantial(Decimal::new(10, 2)));
/// assert!(!is_substantial(Decimal::new(9999, 5)));
/// ```
pub fn is_substantial(change: Decimal) -> bool {
    change >= Decimal::new(1, 1)
}

/// The size of a change as a fraction of what it is a change of.
///
/// # Errors
/// [`Refusal::Overflow`] when that is nothing.
pub(super) fn relative(change: Decimal, of: Decimal) -> Result<Decimal, Refusal> {
    change.abs().checked_div(of.abs()).ok_or(Refusal::Overflow)
}

/// The terms in force a year before, or since the debt was last extinguished by a change of terms.
fn one_year_before(instrument: &Instrument, date: Date) -> &Instrument {
    let year_before = date.checked_sub(1.year()).unwrap_or(date);
    let (mut original, mut version) = (instrument, instrument);
    while let (Some(before), Some(revised_on), Some(carried)) =
        (version.before(), version.revised_on(), version.carried())
    {
        // Terms that ended by the date have no payments to compare with.
        if revised_on <= year_before || carried.effect == Effect::Extinguished || before.terms().maturity_date <= date {
            break;
        }
        // Issue costs that were corrected are no modification: the rate is that by the corrected ones.
        if carried.effect == Effect::Modified {
            original = before;
        }
        version = before;
    }
    original
}

fn endings(put: Option<Date>, maturity: Date, price: Decimal, date: Date) -> Vec<(Ending, ExpectedRedemption)> {
    let put = put.filter(|put| *put > date && *put < maturity);
    let put = put.map(|date| (Ending::EarlierRedemption, ExpectedRedemption { date, price }));
    let maturity = (Ending::Maturity, ExpectedRedemption { date: maturity, price });
    std::iter::once(maturity).chain(put).collect()
}
