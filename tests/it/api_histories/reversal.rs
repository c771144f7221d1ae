//! Reversals in random histories through the interface.

use serde_json::{Value, json};

use super::dice::{Dice, later};
use super::life::{Life, Outcome};
use crate::reference::{Event, History};
use crate::support::client::{Service, array, text};

/// An event that stands, with the batches by which it can be reversed.
pub struct Standing {
    /// What it is in the reference, in order: two where bonds were surrendered and settled in one request.
    pub events: Vec<usize>,
    pub id: String,
    batches: Vec<Value>,
}

impl Standing {
    /// Of the answer that recorded it; none of a reversal.
    pub fn of(answer: &Value, events: Vec<usize>) -> Option<Standing> {
        let holds_more =
            |batch: &&Value| array(&batch["entries"]).iter().any(|entry| entry["kind"] != json!("accrual"));
        let batches = array(&answer["journal_batches"]).iter().filter(holds_more).cloned().collect();
        (answer["event"]["kind"] != json!("reversal")).then(|| Standing {
            events,
            id: text(&answer["event"]["id"]).to_owned(),
            batches,
        })
    }
}

impl Life {
    pub async fn reverse(&mut self, service: &Service, dice: &mut Dice, event: usize) -> Outcome {
        let at = self.standing.iter().position(|standing| standing.events.last() == Some(&event)).expect("it stands");
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
        let reversals = self.standing[at].events.iter().rev().map(|event| Event::Reversal { event: *event });
        let mut events = self.history.events().to_vec();
        events.extend(reversals);
        let without = History::of(self.history.shared_curve(), &events);
        // What is current was told by the terms that a revision made.
        let is_told_since =
            self.history.revision(event).is_some() && self.reclassified.iter().any(|count| *count > event);
        if answer.status == 409 {
            answer.conflict("later_event_in_the_way");
            assert!(without.is_err() || is_told_since, "only the service refuses");
            return Outcome::Refused;
        }
        let document = answer.created();
        assert!(!is_told_since, "a revision is reversed after a reclassification");
        let date = self.date_of(Event::Reversal { event });
        let boundary = date.min(self.maturity());
        self.check_figures(&document["position_before"], self.history.position_at(date, boundary));
        self.history = without.unwrap_or_else(|why| panic!("only the service reverses {event}: {why}"));
        let standing = self.standing.remove(at);
        self.reopen(&standing);
        self.check_figures(&document["position_after"], self.history.position_at(date, boundary));
        Outcome::Reversed
    }

    pub fn standing_events(&self) -> Vec<usize> {
        self.standing.iter().filter_map(|standing| standing.events.last().copied()).collect()
    }

    /// After a reversal a surrender is open no more, and one whose settlement is reversed is open again.
    fn reopen(&mut self, reversed: &Standing) {
        let [event] = *reversed.events.as_slice() else { return };
        self.open.retain(|open| *open != event);
        if let Event::Settlement { surrender, .. } = self.history.events()[event] {
            self.open.push(surrender);
        }
    }
}
