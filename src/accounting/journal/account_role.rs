//! The roles that accounts play. A posted batch names roles; the account mapping turns them into an entity's own accounts.

use crate::accounting::framework::Framework;
use crate::accounting::instrument::Terms;

/// The element of the financial statements that a role's balance belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Element {
    Asset,
    /// Liabilities and what is deducted from or added to them (ASC 835-30-45-1A).
    Liability,
    Equity,
    /// Income and expense, which reach equity through net income.
    NetIncome,
}

macro_rules! roles {
    ($($(#[$doc:meta])* $variant:ident $name:literal $element:ident $monetary:literal $label:literal;)*) => {
        /// The role of an account.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum AccountRole { $($(#[$doc])* $variant,)* }

        impl AccountRole {
            /// Every role, in the order of a chart of accounts.
            pub const ALL: &'static [AccountRole] = &[$(AccountRole::$variant,)*];

            /// The name on the interface, in snake case.
            pub fn name(self) -> &'static str {
                match self { $(AccountRole::$variant => $name,)* }
            }

            /// The role in words.
            pub fn label(self) -> &'static str {
                match self { $(AccountRole::$variant => $label,)* }
            }

            /// Where its balance belongs in the statements.
            pub fn element(self) -> Element {
                match self { $(AccountRole::$variant => Element::$element,)* }
            }

            /// Whether its balance is a monetary item, which a ledger remeasures at the closing rate (IAS 21.8, ASC 830-10-45-17).
            pub fn is_monetary(self) -> bool {
                match self { $(AccountRole::$variant => $monetary,)* }
            }
        }
    };
}

roles! {
    Cash "cash" Asset true "Cash";
    InterestReceivable "interest_receivable" Asset true "Interest receivable";
    BondsPayable "bonds_payable" Liability true "Bonds payable";
    PremiumOnBondsPayable "premium_on_bonds_payable" Liability true "Premium on bonds payable";
    DiscountOnBondsPayable "discount_on_bonds_payable" Liability true "Discount on bonds payable";
    DebtIssueCosts "debt_issue_costs" Liability true "Debt issue costs";
    /// What of the debt is a current liability at a balance-sheet date; moved back when the next period begins.
    CurrentPortionOfBondsPayable "current_portion_of_bonds_payable" Liability true "Current portion of bonds payable";
    InterestPayable "interest_payable" Liability true "Interest payable";
    AccruedInducement "accrued_inducement" Liability true "Accrued inducement";
    CommonStock "common_stock" Equity false "Common stock";
    AdditionalPaidInCapital "additional_paid_in_capital" Equity false "Additional paid-in capital";
    TreasuryStock "treasury_stock" Equity false "Treasury stock";
    /// What the income and expense of a closed year come to; only closing entries go there.
    RetainedEarnings "retained_earnings" Equity false "Retained earnings";
    InterestExpense "interest_expense" NetIncome false "Interest expense";
    DebtConversionExpense "debt_conversion_expense" NetIncome false "Debt conversion expense";
    GainOnExtinguishment "gain_on_extinguishment" NetIncome false "Gain on extinguishment of debt";
    LossOnExtinguishment "loss_on_extinguishment" NetIncome false "Loss on extinguishment of debt";
    /// Against it stand balances taken over, which the ledger holds already; it is cleared there. Until then it is equity, as the
    /// balances are what past years left.
    OpeningBalanceClearing "opening_balance_clearing" Equity false "Opening balance clearing";
    /// Net of its issue costs (IAS 32.28-32, 38).
    EquityComponent "equity_component_of_convertible_bonds" Equity false "Equity component of convertible bonds";
    LossOnAmendmentOfConversionTerms "loss_on_amendment_of_conversion_terms" NetIncome false "Loss on amendment of conversion terms";
}

impl AccountRole {
    /// Whether its balance is that of the debt alone, and comes to zero with it. Cash and capital hold what does not come from bonds, and
    /// income and expense are closed by the ledger.
    pub fn ends_with_the_debt(self) -> bool {
        match self {
            AccountRole::InterestReceivable
            | AccountRole::BondsPayable
            | AccountRole::PremiumOnBondsPayable
            | AccountRole::DiscountOnBondsPayable
            | AccountRole::DebtIssueCosts
            | AccountRole::CurrentPortionOfBondsPayable
            | AccountRole::InterestPayable
            | AccountRole::AccruedInducement
            | AccountRole::EquityComponent => true,
            AccountRole::Cash
            | AccountRole::CommonStock
            | AccountRole::AdditionalPaidInCapital
            | AccountRole::TreasuryStock
            | AccountRole::RetainedEarnings
            | AccountRole::InterestExpense
            | AccountRole::DebtConversionExpense
            | AccountRole::GainOnExtinguishment
            | AccountRole::LossOnExtinguishment
            | AccountRole::OpeningBalanceClearing
            | AccountRole::LossOnAmendmentOfConversionTerms => false,
        }
    }

    /// Whether an issue can ever need an account for it: of these terms, or of any where none are given, in the books of a framework. Terms
    /// that are modified may come to a premium, a discount or costs that they did not begin with.
    pub fn is_needed(self, framework: Framework, terms: Option<&Terms>) -> bool {
        let is = |rule: fn(&Terms) -> bool| terms.is_none_or(rule);
        let converts = is(|terms| terms.conversion.is_some());
        match self {
            AccountRole::CommonStock
            | AccountRole::AdditionalPaidInCapital
            | AccountRole::TreasuryStock
            | AccountRole::AccruedInducement => converts,
            // Closing entries are asked for close by close, and most ledgers make their own.
            AccountRole::RetainedEarnings => false,
            AccountRole::DebtConversionExpense => converts && framework == Framework::UsGaap,
            AccountRole::LossOnAmendmentOfConversionTerms => converts && framework == Framework::Ifrs,
            AccountRole::EquityComponent => framework == Framework::Ifrs && is(Terms::is_compound),
            AccountRole::OpeningBalanceClearing => is(|terms| terms.opening.is_some()),
            AccountRole::InterestReceivable | AccountRole::InterestPayable => is(|terms| !terms.coupon_rate.is_zero()),
            AccountRole::Cash
            | AccountRole::BondsPayable
            | AccountRole::PremiumOnBondsPayable
            | AccountRole::DiscountOnBondsPayable
            | AccountRole::DebtIssueCosts
            | AccountRole::CurrentPortionOfBondsPayable
            | AccountRole::InterestExpense
            | AccountRole::GainOnExtinguishment
            | AccountRole::LossOnExtinguishment => true,
        }
    }

    /// The role with this name.
    pub fn from_name(name: &str) -> Option<AccountRole> {
        AccountRole::ALL.iter().copied().find(|role| role.name() == name)
    }
}
