//! The invented issues of a sample and what happens to them, as requests of the interface.

use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use crate::accounting::framework::Framework;
use crate::document::BondIssueDocument;
use crate::posting::IssueCommand;
use crate::posting::error::RecordError;

/// An issue and what happens to it, in order.
pub(super) struct Life {
    pub issue: BondIssueDocument,
    pub commands: Vec<IssueCommand>,
}

/// A convertible issue that is issued, converted, induced and bought back, and a straight one that is taken over, modified and redeemed.
/// Before each event the issue is accrued to its day, so that the event's batch holds no accrual. Amounts are whole: they are amounts in
/// every currency.
pub(super) fn lives(entity: &str, currency: &str, framework: Framework) -> Result<Vec<Life>, RecordError> {
    let issue = |mut terms: Value| {
        terms["entity"] = json!(entity);
        terms["currency"] = json!(currency);
        read(terms)
    };
    let convertible = json!({
        "reference": "SAMPLE-CONVERTIBLE", "principal": "10000000", "denomination": "1000", "coupon_rate": "0.04",
        "coupon_frequency": 2, "day_count": "30/360", "dated_date": "2026-01-15", "settlement_date": "2026-01-15",
        "maturity_date": "2031-01-15", "proceeds": "9800000", "issue_costs": "150000",
        "conversion": {"shares_per_denomination": "24.6914", "share_par_value": "0.01"},
    });
    let straight = json!({
        "reference": "SAMPLE-STRAIGHT", "principal": "5000000", "denomination": "1000", "coupon_rate": "0.05",
        "coupon_frequency": 2, "day_count": "30/360", "dated_date": "2022-06-30", "settlement_date": "2022-06-30",
        "maturity_date": "2027-06-30",
        "opening_balance": {"date": "2025-12-31", "principal": "5000000", "premium_discount": "60000",
            "issue_costs": "-18000", "interest_payable": "0"},
    });
    Ok(vec![
        Life {
            issue: issue(under(framework, convertible, json!({}), json!({"straight_debt_rate": "0.06"})))?,
            commands: vec![
                accrual("2026-01-31")?,
                accrual("2026-07-14")?,
                IssueCommand::PayCoupon(read(json!({"coupon_date": "2026-07-15"}))?),
                accrual("2026-08-19")?,
                IssueCommand::Convert(read(
                    json!({"effective_date": "2026-08-20", "principal": "4000000", "share_price": "43.10"}),
                )?),
                // Recorded late: what was accrued since its date on the bonds that converted is taken back.
                accrual("2026-09-30")?,
                IssueCommand::Convert(read(
                    json!({"effective_date": "2026-09-10", "principal": "500000", "share_price": "42.75"}),
                )?),
                accrual("2026-10-04")?,
                IssueCommand::Convert(read(json!({"conversion_date": "2026-10-05", "principal": "300000"}))?),
                accrual("2026-11-09")?,
                IssueCommand::Induce(Box::new(read(under(
                    framework,
                    json!({"effective_date": "2026-11-10", "principal": "1000000", "share_price": "44.20",
                        "acceptance_share_price": "44.20", "cash": "25000"}),
                    json!({"acceptance_date": "2026-11-10", "criteria": {"limited_time": true,
                        "preserves_form_and_amount": true, "substantive_at_issuance": true, "substantive_at_acceptance": true}}),
                    json!({"amendment_date": "2026-11-10"}),
                ))?)),
                accrual("2026-12-09")?,
                IssueCommand::Repurchase(read(under(
                    framework,
                    json!({"effective_date": "2026-12-10", "principal": "1000000", "price_percent": "96.5", "costs": "2000"}),
                    json!({}),
                    json!({"straight_debt_rate": "0.065"}),
                ))?),
            ],
        },
        Life {
            issue: issue(straight)?,
            commands: vec![
                accrual("2026-03-31")?,
                IssueCommand::Modify(Box::new(read(
                    json!({"effective_date": "2026-03-31", "maturity_date": "2028-06-30", "fees": "15000"}),
                )?)),
                accrual("2027-06-30")?,
                IssueCommand::Reclassify(Box::new(read(json!({"balance_sheet_date": "2027-06-30"}))?)),
                accrual("2027-09-15")?,
                IssueCommand::Redeem(read(
                    json!({"effective_date": "2027-09-15", "principal": "5000000", "kind": "call",
                    "price_percent": "101"}),
                )?),
            ],
        },
    ])
}

fn accrual(through: &str) -> Result<IssueCommand, RecordError> {
    Ok(IssueCommand::Accrue(read(json!({"through": through}))?))
}

/// A request with what it states under one framework alone.
fn under(framework: Framework, mut request: Value, us_gaap: Value, ifrs: Value) -> Value {
    let own = match framework {
        Framework::UsGaap => us_gaap,
        Framework::Ifrs => ifrs,
    };
    if let (Some(request), Value::Object(own)) = (request.as_object_mut(), own) {
        request.extend(own);
    }
    request
}

fn read<T: DeserializeOwned>(request: Value) -> Result<T, RecordError> {
    serde_json::from_value(request).map_err(|error| RecordError::corrupt("sample", error))
}
