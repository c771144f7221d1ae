//! Surrenders for conversion and their settlements in random histories through the interface.

use jiff::civil::Date;
use serde_json::{Value, json};

use super::life::{Life, Outcome};
use crate::reference::Event;
use crate::support::client::{Service, on};

impl Life {
    /// Alone, or with a settlement in the same request.
    pub async fn surrender(
        &mut self,
        service: &Service,
        date: Date,
        principal_minor: i128,
        settled: Option<Date>,
    ) -> Outcome {
        let mut body =
            json!({"conversion_date": date.to_string(), "principal": self.currency.written(principal_minor)});
        if let Some(settled) = settled {
            body["effective_date"] = json!(settled.to_string());
            body["share_price"] = json!("12.5");
        }
        let answer = service.post(&on(&self.id, "conversions"), &body).await;
        let surrender = Event::Surrender { date, principal_minor };
        if self.is_refused(surrender, &answer) {
            return Outcome::Refused;
        }
        let place = self.history.events().len();
        let document = answer.created();
        match settled {
            None => {
                self.check_event(surrender, &answer);
                self.open.push(place);
            }
            Some(settled) => {
                self.record(surrender);
                self.check_event(Event::Settlement { surrender: place, date: settled }, &answer);
                self.standing.last_mut().expect("a conversion stands").events = vec![place, place + 1];
                self.check_settled(&document["conversion"], place);
            }
        }
        let moved = self.history.conversion_result(place).expect("bonds were surrendered");
        for (name, minor) in [
            ("principal", moved.principal),
            ("premium_discount", moved.premium_discount),
            ("issue_costs", moved.issue_costs),
            ("carrying_amount", moved.carrying_amount()),
            ("accrued_interest", moved.accrued_interest),
            ("coupon_handed_over", moved.handed_over),
        ] {
            assert_eq!(document["surrender"][name], self.currency.written(minor), "{name} of {document}");
        }
        Outcome::Surrendered
    }

    pub async fn settle(&mut self, service: &Service, surrender: usize, date: Date) -> Outcome {
        let standing = self.standing.iter().find(|standing| standing.events == [surrender]).expect("it stands");
        let body = json!({"surrender": standing.id, "effective_date": date.to_string(), "share_price": "12.5"});
        let answer = service.post(&on(&self.id, "conversions"), &body).await;
        self.check_event(Event::Settlement { surrender, date }, &answer);
        self.check_settled(&answer.json()["conversion"], surrender);
        service.post(&on(&self.id, "conversions"), &body).await.conflict("surrender_already_settled");
        self.open.retain(|open| *open != surrender);
        Outcome::Settled
    }

    /// What leaves is what was kept since the surrender.
    fn check_settled(&self, block: &Value, surrender: usize) {
        let moved = self.history.conversion_result(surrender).expect("bonds were surrendered");
        for (name, minor) in [
            ("principal", moved.principal),
            ("premium_discount", moved.premium_discount),
            ("issue_costs", moved.issue_costs),
            ("carrying_amount", moved.carrying_amount()),
            ("accrued_interest", moved.forfeited()),
        ] {
            assert_eq!(block[name], self.currency.written(minor), "{name} of {block}");
        }
    }
}
