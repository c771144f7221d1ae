//! The rollforward as it is answered.

use std::sync::Arc;

use ecow::EcoString;
use serde::{Serialize, Serializer};
use utoipa::ToSchema;

use super::Beside;
use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::document::{WaiverDocument, money};
use crate::reading::closed_rollforward::{ChangedSinceClose, View};
use crate::reports::reasonableness::Reasonableness;
use crate::reports::rollforward::MovementLine;
use crate::reports::ties::{Check, Equality};

/// The rollforward of an entity's debt over a period, by issue and in total.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct RollforwardDocument {
    pub entity: String,
    /// The fiscal period, where one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<String>,
    /// Of a fiscal period: as it was closed, or as it is now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub view: Option<View>,
    /// When the period was closed last; absent if it never was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<String>,
    pub from: String,
    pub to: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    /// Which days were asked for beside these.
    #[serde(skip)]
    pub beside: Beside,
    /// Which days were asked for beside these, by default or with `comparative`. Absent of a period as it was closed: its bytes are those of
    /// the day it was closed, and they did not always say it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comparative_asked: Option<Beside>,
    pub issues: Vec<IssueRollforward>,
    pub total: Vec<RollforwardLine>,
    pub tie_out: Vec<TieOut>,
    /// Whether the interest of the period is about what the average carrying amount earns at the effective rate.
    pub interest_reasonableness: InterestReasonableness,
    /// The days before that stand beside these; absent if none were asked for, or there were none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comparative: Option<ComparativeRollforward>,
    /// What was expected, not recorded, and waived when the period was closed last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waivers: Option<Vec<WaiverDocument>>,
    /// Of the current view of a period that was closed: what was recorded since and is effective in it or posted in it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub changed_since_close: Option<Vec<ChangedSinceClose>>,
    pub caution: String,
}

/// The rollforward of other days, as known at the same time.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ComparativeRollforward {
    pub from: String,
    pub to: String,
    pub issues: Vec<IssueRollforward>,
    pub total: Vec<RollforwardLine>,
    pub tie_out: Vec<TieOut>,
}

/// The lines of one issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IssueRollforward {
    pub bond_issue: String,
    pub reference: String,
    pub lines: Vec<RollforwardLine>,
}

/// One movement. Signed as the liability: credit positive.
// Of many issues there are a million figures: up to fifteen characters take no memory of their own.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct RollforwardLine {
    #[schema(example = "amortization")]
    pub movement: &'static str,
    /// What the movement is to a reader of financial statements: `opening`, `issue`, `interest`, `conversion`, `induced_conversion`,
    /// `early_extinguishment`, `maturity`, `other` or `closing`.
    #[schema(example = "interest")]
    pub class: &'static str,
    /// The movement that a reversal takes back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reverses_movement: Option<&'static str>,
    #[schema(value_type = String)]
    pub principal: EcoString,
    #[schema(value_type = String)]
    pub premium_discount: EcoString,
    #[schema(value_type = String)]
    pub issue_costs: EcoString,
    #[schema(value_type = String)]
    pub carrying_amount: EcoString,
    #[schema(value_type = String)]
    pub interest_payable: EcoString,
    #[schema(value_type = String)]
    pub interest_receivable: EcoString,
    /// Of convertible issues under IFRS; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub equity_component: Option<EcoString>,
    #[schema(value_type = String)]
    pub gain_loss: EcoString,
    /// All expense: coupon, amortization, debt conversion expense and, under IFRS, the loss on an amendment of conversion terms.
    #[schema(value_type = String)]
    pub expense: EcoString,
    /// The part of the expense that is interest at the coupon rate.
    #[schema(value_type = String)]
    pub coupon_interest: EcoString,
    /// The part of the expense that is the rest of interest: amortization; of a modification, what of its difference is interest.
    #[schema(value_type = String)]
    pub amortization: EcoString,
    #[schema(value_type = String)]
    pub debt_conversion_expense: EcoString,
    /// IAS 32.AG35; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub loss_on_amendment: Option<EcoString>,
    #[schema(value_type = String)]
    pub cash: EcoString,
    #[schema(value_type = String)]
    pub shares: EcoString,
    /// Common stock, additional paid-in capital and treasury stock reissued.
    #[schema(value_type = String)]
    pub paid_in_capital: EcoString,
    #[schema(value_type = String)]
    pub common_stock: EcoString,
    #[schema(value_type = String)]
    pub additional_paid_in_capital: EcoString,
    /// Reissued; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub treasury_stock: Option<EcoString>,
    /// The numbers of the batches that it is made of.
    // Most issues share them: those of ten years' months would take more memory than everything else.
    #[schema(value_type = Vec<String>)]
    pub batches: Arc<[String]>,
}

/// One check.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct TieOut {
    #[serde(serialize_with = "name")]
    #[schema(value_type = String)]
    pub check: Equality,
    pub left: String,
    pub right: String,
    pub difference: String,
    pub passed: bool,
}

fn name<S: Serializer>(check: &Equality, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(check.name())
}

/// An analytical procedure on interest: no tie, but a reason to look where it is not within a twentieth.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct InterestReasonableness {
    pub issues: Vec<IssueInterest>,
    pub total: InterestExpectation,
}

/// The interest of one issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IssueInterest {
    pub bond_issue: String,
    pub reference: String,
    /// The nominal annual rate on the last day.
    pub effective_rate: String,
    #[serde(flatten)]
    pub interest: InterestExpectation,
}

/// What is expected, and what is booked.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct InterestExpectation {
    /// The carrying amount on the average day, by effective dates.
    pub average_carrying_amount: String,
    /// The average carrying amount at the effective rate in force, for the time that passed.
    pub expected: String,
    /// Interest expense of the accruals posted in the period.
    pub booked: String,
    /// Booked less expected.
    pub difference: String,
    /// Whether the difference is at most a twentieth of what is expected (common practice).
    pub reasonable: bool,
}

impl InterestExpectation {
    pub(super) fn of(interest: &Reasonableness, currency: Currency) -> Result<InterestExpectation, Refusal> {
        Ok(InterestExpectation {
            average_carrying_amount: money(interest.average, currency),
            expected: money(interest.expected, currency),
            booked: money(interest.booked, currency),
            difference: money(interest.difference()?, currency),
            reasonable: interest.is_reasonable()?,
        })
    }
}

impl RollforwardLine {
    pub(super) fn of(
        line: &MovementLine,
        currency: Currency,
        batches: impl Fn(&str) -> Arc<[String]>,
    ) -> Result<RollforwardLine, Refusal> {
        let sums = &line.sums;
        let figure = |amount: Amount| EcoString::from(money(amount, currency));
        let unless_zero = |amount: Amount| (!amount.is_zero()).then(|| figure(amount));
        Ok(RollforwardLine {
            movement: line.movement,
            class: line.class.name(),
            reverses_movement: line.reverses_movement,
            principal: figure(sums.principal),
            premium_discount: figure(sums.premium_discount),
            issue_costs: figure(sums.issue_costs),
            carrying_amount: figure(sums.carrying_amount()?),
            interest_payable: figure(sums.interest_payable),
            interest_receivable: figure(sums.interest_receivable),
            equity_component: unless_zero(sums.equity_component),
            gain_loss: figure(sums.gain_loss),
            expense: figure(sums.expense),
            coupon_interest: figure(sums.coupon_interest),
            amortization: figure(sums.amortization()?),
            debt_conversion_expense: figure(sums.debt_conversion_expense),
            loss_on_amendment: unless_zero(sums.loss_on_amendment),
            cash: figure(sums.cash),
            shares: sums.shares.normalize().to_string().into(),
            paid_in_capital: figure(sums.paid_in_capital),
            common_stock: figure(sums.common_stock),
            additional_paid_in_capital: figure(sums.additional_paid_in_capital()?),
            treasury_stock: unless_zero(sums.treasury_stock),
            batches: line.stored.as_deref().map(batches).unwrap_or_default(),
        })
    }
}

impl TieOut {
    pub(super) fn of(check: &Check, currency: Currency) -> Result<TieOut, Refusal> {
        let difference = check.left.minus(check.right)?;
        Ok(TieOut {
            check: check.check,
            left: money(check.left, currency),
            right: money(check.right, currency),
            difference: money(difference, currency),
            passed: difference.is_zero(),
        })
    }
}
