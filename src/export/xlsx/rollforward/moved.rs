//! What an entry moved, by the columns of the sheet of entries.

use rust_decimal::Decimal;

use super::columns::Event;
use crate::accounting::journal::{AccountRole, MovementKind};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reading::EntryBooks;

/// The columns of amounts.
pub(super) const MOVED: [Event; 16] = [
    Event::Principal,
    Event::PremiumDiscount,
    Event::IssueCosts,
    Event::InterestPayable,
    Event::InterestReceivable,
    Event::Equity,
    Event::Coupon,
    Event::Amortization,
    Event::ConversionExpense,
    Event::AmendmentLoss,
    Event::GainLoss,
    Event::Cash,
    Event::CommonStock,
    Event::TreasuryStock,
    Event::PaidIn,
    Event::Other,
];

/// The amounts that an entry moved, and the shares.
pub(super) struct Moved {
    amounts: [Amount; MOVED.len()],
    pub shares: Decimal,
}

impl Moved {
    /// Read off an entry's row; what no component is of, off its lines.
    pub fn of(entry: &EntryBooks) -> Result<Moved, Refusal> {
        let (row, minor) = (&entry.row, Amount::from_minor);
        let [coupon, conversion, amendment] =
            [row.coupon_interest, row.debt_conversion_expense, row.loss_on_amendment].map(minor);
        let [common_stock, treasury_stock] = [row.common_stock, row.treasury_stock].map(minor);
        let amounts = MOVED.map(|column| match column {
            Event::Principal => Ok(minor(row.principal)),
            Event::PremiumDiscount => Ok(minor(row.premium_discount)),
            Event::IssueCosts => Ok(minor(row.issue_costs)),
            Event::InterestPayable => Ok(minor(row.interest_payable)),
            Event::InterestReceivable => Ok(minor(row.interest_receivable)),
            Event::Equity => Ok(minor(row.equity_component)),
            Event::Coupon => Ok(coupon),
            Event::Amortization => minor(row.expense).minus(coupon)?.minus(conversion)?.minus(amendment),
            Event::ConversionExpense => Ok(conversion),
            Event::AmendmentLoss => Ok(amendment),
            Event::GainLoss => Ok(minor(row.gain_loss)),
            Event::Cash => Ok(minor(row.cash)),
            Event::CommonStock => Ok(common_stock),
            Event::TreasuryStock => Ok(treasury_stock),
            Event::PaidIn => minor(row.paid_in_capital).minus(common_stock)?.minus(treasury_stock),
            _ => of_other_accounts(entry),
        });
        let mut all = [Amount::ZERO; MOVED.len()];
        for (place, amount) in all.iter_mut().zip(amounts) {
            *place = amount?;
        }
        Ok(Moved { amounts: all, shares: row.shares.parse().unwrap_or_default() })
    }

    /// Each column with its amount.
    pub fn amounts(&self) -> impl Iterator<Item = (Event, Amount)> {
        MOVED.into_iter().zip(self.amounts)
    }

    /// The amount of a column.
    pub fn amount(&self, column: Event) -> Amount {
        self.amounts().find(|(known, _)| *known == column).map_or(Amount::ZERO, |(_, amount)| amount)
    }

    /// Whether nothing moved, as by an entry within the debt.
    pub fn is_nothing(&self) -> bool {
        self.amounts.iter().all(|amount| amount.is_zero())
    }

    /// Whether the entry is of a kind that the workbook has the rules of.
    pub fn is_by_rule(&self, entry: &EntryBooks) -> bool {
        let is_own = MovementKind::from_name(&entry.row.movement).is_some();
        let kinds = [
            "issuance",
            "opening_balance",
            "accrual",
            "coupon_payment",
            "conversion",
            "inducement",
            "repurchase",
            "redemption",
        ];
        is_own && kinds.contains(&entry.row.kind.as_str())
    }
}

/// What is credited to roles that are no component of the debt, of income or of equity.
fn of_other_accounts(entry: &EntryBooks) -> Result<Amount, Refusal> {
    let roles = [AccountRole::AccruedInducement, AccountRole::OpeningBalanceClearing].map(AccountRole::name);
    let lines = entry.lines.iter().filter(|line| roles.contains(&line.role.as_str()));
    Amount::total(lines.map(|line| line.amount))?.negated()
}
