//! Revisions in random histories through the interface.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use num_bigint::BigInt;
use num_rational::BigRational;
use serde_json::{Value, json};

use super::dice::{Dice, later};
use super::life::{Framework, Life, Outcome};
use super::reversal::Standing;
use crate::reference::{
    self, Because, Event, History, Modification, OnConversion, OptionChange, Revised, Revision, Trillionths,
};
use crate::support::client::{Service, on};

/// New maturities lie before the end of the reports.
const LATEST: Date = date(2031, 6, 30);

fn written(of: Trillionths, shift: u32) -> String {
    rust_decimal::Decimal::new(of.0, 12 - shift).normalize().to_string()
}

fn ten_thousandths(parts: i64) -> Trillionths {
    Trillionths(parts * 100_000_000)
}

impl Life {
    pub fn revision(&self, dice: &mut Dice, day: Date) -> Event {
        let last = self.history.events().iter().map(|event| self.date_of(*event)).max().unwrap_or(self.settlement());
        let from = if dice.chance(92) { day.max(last) } else { day }.min(later(self.maturity(), -1));
        let next = self.history.chain().coupon_date_after(later(from, -1));
        let date = if dice.chance(60) { next.unwrap_or(from) } else { from };
        let principal = self.history.position(Date::MAX).principal.max(1);
        let part = |dice: &mut Dice, low: i64, high: i64| principal * i128::from(dice.between(low, high)) / 10_000;
        let ifrs = self.framework == Framework::Ifrs;
        Event::Revision(match dice.between(1, 10) {
            1..=3 => Revision::IssueCosts {
                date,
                change: if dice.chance(70) { part(dice, 1, 250) } else { -part(dice, 1, 60) },
                is_open_since_settlement: true,
            },
            4..=6 if ifrs => {
                let ends: Vec<Date> = self.grid().into_iter().filter(|end| *end > date).collect();
                let is_early = !ends.is_empty() && dice.chance(75);
                let expected = is_early.then(|| {
                    (
                        dice.pick(&ends),
                        ten_thousandths(if dice.chance(40) { 10_000 } else { dice.between(9_800, 10_800) }),
                    )
                });
                Revision::Estimate { date, expected }
            }
            _ => {
                let (is_rate, is_maturity) = (dice.chance(60), dice.chance(50));
                let terms = self.history.chain().terms();
                let begins = self.history.chain().is_coupon_date(date) || dice.chance(8);
                let rate = (terms.frequency > 0 && begins && is_rate).then(|| ten_thousandths(dice.between(25, 900)));
                let option_values = (!ifrs && self.history.chain().last().convertible && dice.chance(95)).then(|| {
                    let before = part(dice, 0, 1_200);
                    (before, if dice.chance(60) { before } else { part(dice, 0, 1_800) })
                });
                let option = match dice.between(1, 20) {
                    1 => OptionChange::Eliminated,
                    2..=3 => OptionChange::Added(OnConversion::Payable),
                    _ => OptionChange::None,
                };
                Revision::Modification(Modification {
                    date,
                    framework: if ifrs { reference::Framework::Ifrs } else { reference::Framework::UsGaap },
                    coupon_rate: rate,
                    maturity: is_maturity.then(|| self.new_maturity(dice)),
                    redemption: dice.chance(15).then(|| ten_thousandths(dice.between(9_900, 11_000))),
                    amortization_end: None,
                    option,
                    option_values,
                    fees: if dice.chance(50) { 0 } else { part(dice, -60, 300) },
                    costs: if dice.chance(50) { 0 } else { part(dice, 0, 90) },
                    fair_value: dice.chance(90).then(|| part(dice, 8_700, 11_500)),
                    callable_before: None,
                    callable_after: None,
                })
            }
        })
    }

    /// Coupon dates, or the compounding dates of a zero-coupon issue.
    fn grid(&self) -> Vec<Date> {
        self.history.chain().last().curve.schedule().ends().collect()
    }

    fn new_maturity(&self, dice: &mut Dice) -> Date {
        let terms = self.history.chain().terms();
        let months = if terms.frequency == 0 { 6 } else { 12 / terms.frequency as i64 };
        let moved = terms.maturity.checked_add((dice.between(-3, 6) * months).months()).expect("within the calendar");
        let is_month_end = terms.maturity == terms.maturity.last_of_month();
        let moved = if is_month_end || dice.chance(10) { moved.last_of_month() } else { moved };
        moved.min(LATEST)
    }

    pub async fn revise(&mut self, service: &Service, revision: Revision) -> Outcome {
        let event = Event::Revision(revision);
        let (kind, body) = self.revision_request(revision);
        let answer = service.post(&on(&self.id, kind), &body).await;
        let mut events = self.history.events().to_vec();
        events.push(event);
        let tried = History::of(self.history.shared_curve(), &events);
        if answer.status != 201 {
            let problem = answer.json();
            assert!(answer.status == 409 || answer.status == 422, "{problem}");
            let new_debt = |revised: &Revised| revised.tested.as_ref().is_some_and(|(_, why)| *why != Because::Neither);
            // An equity component would be extinguished too, and costs are of both components.
            let is_of_two = match (&tried, revision) {
                (_, Revision::IssueCosts { .. }) => true,
                (Ok(tried), _) => tried.revision(events.len() - 1).is_some_and(new_debt),
                _ => false,
            };
            let is_known = is_of_two && self.is_compound() && problem["code"] == json!("not_supported");
            let is_known =
                is_known || problem["code"] == json!("no_rate_explains_proceeds") && self.has_no_rate(&tried);
            assert!(is_known || tried.is_err(), "only the service refuses {event:?}: {problem}");
            return Outcome::Unrevised;
        }
        let document = answer.created();
        let tried = tried.unwrap_or_else(|why| panic!("only the service records {event:?}: {why}"));
        let revised = tried.revision(events.len() - 1).expect("a revision").clone();
        let date = revised.date;
        self.standing.extend(Standing::of(&document, vec![self.history.events().len()]));
        self.check_figures(&document["position_before"], self.history.position_at(date, date));
        self.record(event);
        self.check_figures(&document["position_after"], self.history.position_at(date, date));
        self.check_block(revision, &document, &revised);
        Outcome::Revised
    }

    /// Whether a rate of the last revision is beyond all bounds, as within days of maturity.
    fn has_no_rate(&self, tried: &Result<History, String>) -> bool {
        let Ok(history) = tried else { return true };
        let Some(revised) = history.revision(history.events().len() - 1) else { return false };
        let curve = &revised.part.curve;
        let per_year = curve.schedule().periods_a_year();
        let nominal = |rate: BigRational| rate * BigInt::from(per_year);
        let bounds = BigRational::new((-3).into(), 10.into())..=BigRational::from_integer(3.into());
        [curve.gross_rate(), curve.net_rate()].into_iter().any(|rate| !bounds.contains(&nominal(rate)))
    }

    fn check_block(&self, revision: Revision, document: &Value, revised: &Revised) {
        let money = |minor: i128| json!(self.currency.written(minor));
        match revision {
            Revision::IssueCosts { .. } => {
                let block = &document["issue_cost_adjustment"];
                assert_eq!(block["applied_from"], json!(revised.date.to_string()), "{block}");
            }
            _ => {
                let name = if revised.tested.is_some() { "modification" } else { "estimate" };
                let block = &document[name];
                assert_eq!(block["carrying_amount_before"], money(revised.carrying_before), "{block}");
                assert_eq!(block["carrying_amount_after"], money(revised.carrying_after), "{block}");
                assert_eq!(block["gain_loss"], money(revised.gain_loss), "{block}");
            }
        }
        if let Some((tested, because)) = &revised.tested {
            let block = &document["modification"];
            let accounting = if *because == Because::Neither { "modification" } else { "extinguishment" };
            assert_eq!(block["accounting"], json!(accounting), "{block}");
            assert_eq!(block["cash_flow_test"]["present_value_before"], money(tested.before), "{block}");
            assert_eq!(block["cash_flow_test"]["present_value_after"], money(tested.after), "{block}");
        }
    }

    fn revision_request(&self, revision: Revision) -> (&'static str, Value) {
        let money = |minor: i128| json!(self.currency.written(minor));
        match revision {
            Revision::IssueCosts { date, change, .. } => {
                ("issue-cost-adjustments", json!({"effective_date": date.to_string(), "change": money(change)}))
            }
            Revision::Estimate { date, expected } => {
                let mut body = json!({"effective_date": date.to_string()});
                if let Some((on, price)) = expected {
                    body["expected_redemption"] = json!({"date": on.to_string(), "price_percent": written(price, 2)});
                }
                ("estimates", body)
            }
            Revision::Modification(to) => {
                let mut body =
                    json!({"effective_date": to.date.to_string(), "fees": money(to.fees), "costs": money(to.costs)});
                let mut add = |name: &str, value: Option<Value>| {
                    if let Some(value) = value {
                        body[name] = value;
                    }
                };
                add("coupon_rate", to.coupon_rate.map(|rate| json!(written(rate, 0))));
                add("maturity_date", to.maturity.map(|date| json!(date.to_string())));
                add("redemption_price", to.redemption.map(|price| json!(written(price, 2))));
                add("fair_value", to.fair_value.map(money));
                let mut option = json!({});
                match to.option {
                    OptionChange::None => {}
                    OptionChange::Eliminated => option["change"] = json!("eliminated"),
                    OptionChange::Added(_) => {
                        option["change"] = json!("added");
                        option["conversion"] = json!({"shares_per_denomination": "27.5", "share_par_value": "0.01",
                            "accrued_interest": "payable"});
                    }
                }
                if let Some((before, after)) = to.option_values {
                    option["fair_value_before"] = money(before);
                    option["fair_value_after"] = money(after);
                }
                if option != json!({}) {
                    body["conversion_option"] = option;
                }
                ("modifications", body)
            }
        }
    }
}
