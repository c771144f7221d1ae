//! Reclassifications in random histories: what is current is what the reference carries at the date, and nothing else ever changes.

use serde_json::json;

use super::dice::Dice;
use super::life::{Life, Outcome};
use crate::reference::{Components, Event};
use crate::support::client::{Service, array, on, text};

impl Life {
    /// Records the current portion at a random period end, half of the times on demand, and now and then takes it back.
    pub async fn reclassify(&mut self, service: &Service, dice: &mut Dice) -> Outcome {
        let date = dice.date(self.settlement(), self.maturity()).last_of_month();
        let on_demand = dice.chance(50);
        let mut body = json!({"balance_sheet_date": date.to_string()});
        if on_demand {
            body["repayable_on_demand"] = json!({"reason": "A covenant was breached"});
        }
        let answer = service.post(&on(&self.id, "reclassifications"), &body).await;
        if answer.status == 409 {
            answer.conflict("already_reclassified");
            return Outcome::Refused;
        }
        let expected = self.history.position(date);
        // Twelve months after the last day of a month.
        let within =
            date.first_of_month().checked_add(jiff::ToSpan::year(1)).expect("within the calendar").last_of_month();
        let maturity = self.history.chain().on(date).curve.terms().maturity;
        let is_current = expected.principal > 0 && (on_demand || maturity <= within);
        if answer.status == 200 {
            assert!(!is_current && answer.json()["journal_batches"] == json!([]), "{}", answer.json());
            return Outcome::Nothing;
        }
        let document = answer.created();
        assert!(is_current, "{document}");
        self.check_figures(&document["position_after"], expected);
        let Components { principal, premium_discount, issue_costs, .. } = expected;
        for (name, minor) in [
            ("principal", principal),
            ("premium_discount", premium_discount),
            ("issue_costs", issue_costs),
            ("carrying_amount", expected.carrying_amount()),
        ] {
            let block = &document["reclassification"]["current"];
            assert_eq!(block[name], self.currency.written(minor), "{name} of {block}");
        }
        // The issue is accrued through the date, and that stands whatever becomes of the rest.
        let through = date.min(maturity);
        self.record(Event::Accrual { through });
        self.check_books(service).await;
        for as_of in [date, date.tomorrow().expect("a day"), self.any_day(dice)] {
            self.check_position(service, as_of).await;
        }
        if dice.chance(30) {
            let batch = array(&document["journal_batches"]).last().expect("a batch");
            let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
            service.post(&path, &json!({"reason": "It was waived"})).await.created();
            self.check_books(service).await;
            self.check_position(service, date).await;
        } else {
            self.reclassified.push(self.history.events().len());
        }
        Outcome::Reclassified
    }
}
