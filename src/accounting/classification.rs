//! What of an issue is a current liability at a date, and why.
//!
//! Debt is current when it falls due within a year, or when its holders can have it repaid in cash within one. What the issuer may do,
//! such as call it, does not make it current. Facts count as they are at the date and not as they are expected to be, but for a
//! refinancing under US GAAP. (ASC 210-10-45-9, 470-10-45-10 to 45-14, 470-20-45-1B; IAS 1.69-76B, which IFRS 18 keeps.)

use jiff::ToSpan;
use jiff::civil::Date;

use super::framework::Framework;
use super::instrument::{Instrument, Terms};
use super::money::{Amount, pro_rata};
use super::position::{Components, Position};
use super::refusal::Refusal;

/// What the terms do not tell.
#[derive(Clone, Copy, Debug, Default)]
pub struct Facts<'a> {
    /// Whether holders may convert because of the share price, or for another reason of the terms.
    pub convertible: Option<bool>,
    /// Why holders can demand repayment at the date or within a year: a covenant that is breached, or a condition that has come about.
    pub repayable_on_demand: Option<&'a str>,
    pub refinanced: Option<&'a Refinanced>,
}

/// What falls due is replaced by something that does not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refinanced {
    pub basis: RefinancingBasis,
    /// By what it is shown.
    pub reason: String,
    /// How much of the principal; all of it if absent.
    pub principal: Option<Amount>,
}

/// On what a refinancing rests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RefinancingBasis {
    /// Done or agreed after the date and before the statements are issued, by an issuer that intends it.
    AfterBalanceSheetDate,
    /// A right that existed at the date, to defer repayment for more than a year under an existing facility.
    RightAtBalanceSheetDate,
}

/// What the debt is as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    Current,
    NonCurrent,
    /// A part of the principal is refinanced, and the rest is current.
    PartlyCurrent,
    /// Whether holders may convert must be known.
    NotDetermined,
}

impl Verdict {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Current => "current",
            Verdict::NonCurrent => "non_current",
            Verdict::PartlyCurrent => "partly_current",
            Verdict::NotDetermined => "not_determined",
        }
    }
}

/// One reason, with its paragraph.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reason {
    /// A stable name.
    pub code: &'static str,
    pub detail: String,
    pub paragraph: &'static str,
}

/// How an issue is classified at a date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Classification {
    pub verdict: Verdict,
    /// The last day of the year after the date.
    pub within: Date,
    /// How much of the principal is current.
    pub current_principal: Amount,
    /// All that speaks for it.
    pub reasons: Vec<Reason>,
}

/// The debt in two parts that add up to it. Interest is in neither: it has an account of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parts {
    pub current: Components,
    pub non_current: Components,
}

/// Classifies what is outstanding of an issue at a date.
///
/// # Errors
/// A refinancing that does not count under the framework, or of more than is outstanding.
pub fn classify(
    framework: Framework,
    terms: &Terms,
    outstanding: Amount,
    date: Date,
    facts: &Facts<'_>,
) -> Result<Classification, Refusal> {
    let within = year_after(date);
    let of = |verdict, current_principal, reasons| Classification { verdict, within, current_principal, reasons };
    let reason = |code, paragraph, detail: String| Reason { code, detail, paragraph: framework.paragraph(paragraph) };
    if outstanding.is_zero() {
        let none = reason("nothing_outstanding", "ASC 210-10-45-9", format!("nothing is outstanding on {date}"));
        return Ok(of(Verdict::NonCurrent, Amount::ZERO, vec![none]));
    }
    let refinanced = refinanced(framework, terms, outstanding, facts)?;
    let mut reasons = grounds(terms, date, within, facts, &reason);
    let conversion = terms.conversion.as_ref();
    let is_open = conversion.is_some_and(|terms| terms.principal_in_cash()) && facts.convertible.is_none();
    if reasons.is_empty() && is_open && refinanced < outstanding {
        let detail = "a conversion pays the principal in cash, so the debt is current if holders may convert: whether the sale-price condition \
                      is met must be known";
        let needed = reason("sale_price_condition_needed", "ASC 470-10-45-10", detail.to_owned());
        return Ok(of(Verdict::NotDetermined, Amount::ZERO, vec![needed]));
    }
    if reasons.is_empty() {
        let detail = format!("it matures on {}, and holders cannot demand repayment by {within}", terms.maturity_date);
        reasons.push(reason("not_due_within_one_year", "ASC 210-10-45-9", detail));
        match conversion {
            Some(terms) if terms.principal_in_cash() => reasons.push(reason(
                "not_convertible",
                "ASC 470-10-45-10",
                "a conversion pays the principal in cash, but holders may not convert".to_owned(),
            )),
            Some(_) => reasons.push(reason(
                "conversion_in_shares",
                "ASC 470-20-45-1B",
                "a conversion at the option of holders can be settled in shares and needs no current assets".to_owned(),
            )),
            None => {}
        }
        return Ok(of(Verdict::NonCurrent, Amount::ZERO, reasons));
    }
    if let Some(fact) = facts.refinanced {
        let detail = format!("{} of it is refinanced: {}", refinanced.to_major(terms.currency), fact.reason);
        reasons.push(reason("refinanced", "ASC 470-10-45-14", detail));
    }
    let current = outstanding.minus(refinanced)?;
    let verdict = match (current.is_zero(), refinanced.is_zero()) {
        (true, _) => Verdict::NonCurrent,
        (false, true) => Verdict::Current,
        (false, false) => Verdict::PartlyCurrent,
    };
    Ok(of(verdict, current, reasons))
}

/// All that makes the debt fall due within the year.
fn grounds(
    terms: &Terms,
    date: Date,
    within: Date,
    facts: &Facts<'_>,
    reason: &impl Fn(&'static str, &'static str, String) -> Reason,
) -> Vec<Reason> {
    let mut grounds = Vec::new();
    if terms.maturity_date <= within {
        let tense = if terms.maturity_date <= date { "matured" } else { "matures" };
        let detail = format!("it {tense} on {}", terms.maturity_date);
        grounds.push(reason("matures_within_one_year", "ASC 210-10-45-9", detail));
    }
    if let Some(put) = terms.puts().filter(|put| *put > date && *put <= within).min() {
        let detail = format!("holders may demand repayment on {put}");
        grounds.push(reason("put_within_one_year", "ASC 470-10-45-10", detail));
    }
    if let Some(why) = facts.repayable_on_demand {
        let detail = format!("holders can demand repayment: {why}");
        grounds.push(reason("repayable_on_demand", "ASC 470-10-45-11", detail));
    }
    if let Some(conversion) = terms.conversion.as_ref().filter(|conversion| conversion.principal_in_cash()) {
        let from = conversion.sale_price_condition.and_then(|condition| condition.convertible_from);
        let detail = match (facts.convertible, from.filter(|from| *from <= within)) {
            (_, Some(from)) => Some(format!("from {from} on holders may convert whatever the share price is")),
            (Some(true), None) => Some("the sale-price condition is met, and holders may convert".to_owned()),
            (Some(false) | None, None) => None,
        };
        if let Some(detail) = detail {
            let detail = format!("{detail}; the principal is then paid in cash");
            grounds.push(reason("convertible_for_cash", "ASC 470-10-45-10", detail));
        }
    }
    grounds
}

/// How much of the principal is refinanced.
fn refinanced(framework: Framework, terms: &Terms, outstanding: Amount, facts: &Facts<'_>) -> Result<Amount, Refusal> {
    let Some(fact) = facts.refinanced else { return Ok(Amount::ZERO) };
    if !framework.counts_refinancing(fact.basis) {
        return Err(Refusal::contradiction(
            "refinanced/basis",
            "what is refinanced or agreed after the end of the period stays current (IAS 1.72, 76); only a right that existed at its end \
             counts (IAS 1.73): \"right_at_balance_sheet_date\"",
        ));
    }
    match fact.principal {
        Some(principal) if !principal.is_positive() || principal > outstanding => {
            let major = |amount: Amount| amount.to_major(terms.currency);
            let rule = format!("it is a part of the {} outstanding", major(outstanding));
            Err(Refusal::invalid("refinanced/principal", major(principal), rule))
        }
        principal => Ok(principal.unwrap_or(outstanding)),
    }
}

/// The last day of the twelve months after a date. Those after a month's last day end with one, in leap years too.
fn year_after(date: Date) -> Date {
    months_after(date, 12)
}

/// The last day of so many months after a date. Those after a month's last day end with one.
pub fn months_after(date: Date, months: i32) -> Date {
    let later = date.saturating_add(months.months());
    if date == date.last_of_month() { later.last_of_month() } else { later }
}

impl Classification {
    /// Splits a position into what is current and what is not: what stays is what its principal stands at, and the rest is current.
    /// Where only a part stays, it is first of the bonds that are not surrendered.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn parts(&self, position: &Position, instrument: &Instrument) -> Result<Parts, Refusal> {
        let debt = |principal, premium_discount, issue_costs| Components {
            principal,
            premium_discount,
            issue_costs,
            ..Components::default()
        };
        let whole = debt(position.principal, position.premium_discount, position.issue_costs);
        let stays = position.principal.minus(self.current_principal)?;
        let (surrendered, moment) = (&position.surrendered, position.moment);
        let bearing = stays.min(position.outstanding()?.principal);
        let kept = stays.minus(bearing)?;
        let of_surrendered = |amount| match kept.is_zero() {
            true => Ok(Amount::ZERO),
            false => pro_rata(amount, kept, surrendered.principal),
        };
        let non_current = debt(
            stays,
            instrument.premium_discount(bearing, moment)?.plus(of_surrendered(surrendered.premium_discount)?)?,
            instrument.issue_costs(bearing, moment)?.plus(of_surrendered(surrendered.issue_costs)?)?,
        );
        Ok(Parts { current: whole.minus(&non_current)?, non_current })
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn the_year_after_a_months_last_day_ends_with_a_months_last_day() {
        for (from, end) in [
            (date(2025, 12, 31), date(2026, 12, 31)),
            (date(2027, 2, 28), date(2028, 2, 29)),
            (date(2028, 2, 29), date(2029, 2, 28)),
            (date(2026, 4, 15), date(2027, 4, 15)),
        ] {
            assert_eq!(year_after(from), end);
        }
    }
}
