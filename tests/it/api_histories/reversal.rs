//! Reversals in random histories through the interface.

use serde_json::{Value, json};

use super::dice::{Dice, later};
use super::life::{Life, Outcome};
use crate::reference::{Event, History};
use crate::support::client::{Service, array, text};

/// An event that stands, with the batches by which it can be reversed.
pub struct Standing {
    /// Its place in the reference.
    pub event: usize,
    batches: Vec<Value>,
}

impl Standing {
    /// Of the answer that recorded it; none of a reversal.
    pub fn of(answer: &Value, event: usize) -> Option<Standing> {
        let holds_more =
            |batch: &&Value| array(&batch["entries"]).iter().any(|entry| entry["kind"] != json!("accrual"));
        let batches = array(&answer["journal_batches"]).iter().filter(holds_more).cloned().collect();
        (answer["event"]["kind"] != json!("reversal")).then_some(Standing { event, batches })
    }
}

impl Life {
    pub async fn reverse(&mut self, service: &Service, dice: &mut Dice, event: usize) -> Outcome {
        let at = self.standing.iter().position(|standing| standing.event == event).expect("it stands");
        let batches = &self.standing[at].batches;
        let named = &batches[dice.between(0, batches.len() as i64 - 1) as usize];
        let path = format!("/v1/journal-batches/{}/reversal", text(&named["id"]));
        let mut body = json!({"reason": "It did not happen"});
        let last = batches.iter().map(|batch| text(&batch["posting_date"])).max().expect("a batch");
        if dice.chance(30) {
            let on = later(last.parse().expect("a date"), dice.between(0, 90));
            body["posting_date"] = json!(on.to_string());
        }
        let answer = service.post(&path, &body).await;
        let reversal = Event::Reversal { event };
        if answer.status == 409 {
            answer.conflict("later_event_in_the_way");
            let mut events = self.history.events().to_vec();
            events.push(reversal);
            assert!(History::of(self.history.shared_curve(), &events).is_err(), "only the service refuses");
            return Outcome::Refused;
        }
        self.check_event(reversal, &answer);
        self.standing.remove(at);
        Outcome::Reversed
    }
}
