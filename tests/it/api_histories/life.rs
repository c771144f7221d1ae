//! One issue lived through the interface and in the reference: each answer is compared.

use std::sync::Arc;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::dice::{Dice, later};
use super::reversal::Standing;
use super::terms::{self, CURRENCIES, Currency};
use crate::reference::{Components, Curve, Event, History, Moved};
use crate::support::client::{Answer, Service, array, on, text};

pub struct Life {
    pub id: String,
    pub currency: Currency,
    pub history: History,
    /// What can be reversed.
    pub standing: Vec<Standing>,
    /// What is surrendered and not settled: places in the reference.
    pub open: Vec<usize>,
    /// How many events there were when each reclassification that stands was recorded.
    pub reclassified: Vec<usize>,
    pub framework: Framework,
    converts: bool,
    curve: Arc<Curve>,
    /// The equity component and the principal that it was of, under IFRS.
    equity: Option<(i128, i128)>,
    /// How the events of this history follow one another: forward in time but for this share in a hundred.
    backdated: i64,
}

/// Under what the entity reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framework {
    UsGaap,
    Ifrs,
}

/// What came of a proposed event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    Accrued,
    Paid,
    Converted,
    Surrendered,
    Settled,
    Backdated,
    Reversed,
    Reclassified,
    Nothing,
    Refused,
    Revised,
    /// A revision that was refused.
    Unrevised,
    /// Not proposed, because core and reference treat a rounding unit of it differently, both for a reason.
    Apart,
}

impl Life {
    /// A random issue. Under IFRS it is split, and lives in the reference as the liability component that the service found: the split
    /// itself is checked against published cases.
    pub async fn issue(service: &Service, dice: &mut Dice, reference: &str, framework: Framework) -> Life {
        let (mut body, mut terms, mut currency) = terms::draw(dice, reference);
        while framework == Framework::Ifrs && currency != CURRENCIES[0] {
            (body, terms, currency) = terms::draw(dice, reference);
        }
        // One that does not convert has no equity component, and can be extinguished by new terms.
        let is_compound = framework == Framework::Ifrs && dice.chance(70);
        if framework == Framework::Ifrs && !is_compound {
            body["conversion"] = Value::Null;
        }
        if is_compound {
            body["straight_debt_rate"] = json!(format!("0.{}", dice.between(25, 30)));
        }
        if framework == Framework::Ifrs {
            // A premium is of the debt, or of its equity component.
            terms.proceeds_minor = text(&body["proceeds"]).replace('.', "").parse().expect("minor");
            body["premium_treatment"].take();
            body.as_object_mut().expect("an object").retain(|_, value| !value.is_null());
        }
        Life::recorded(service, dice, (body, terms, currency), framework).await
    }

    /// The issue of a request and of its terms for the reference.
    pub async fn recorded(
        service: &Service,
        dice: &mut Dice,
        (body, mut terms, currency): (Value, crate::reference::Terms, Currency),
        framework: Framework,
    ) -> Life {
        let (is_compound, converts) = (!body["straight_debt_rate"].is_null(), !body["conversion"].is_null());
        let issued = service.post("/v1/bond-issues", &body).await.created();
        let minor =
            |name: &str| -> i128 { text(&issued["position_after"][name]).replace('.', "").parse().expect("minor") };
        let equity = is_compound.then(|| {
            terms.proceeds_minor = terms.principal_minor + minor("premium_discount");
            terms.issue_costs_minor = -minor("issue_costs");
            (minor("equity_component"), terms.principal_minor)
        });
        let curve = Arc::new(Curve::new(&terms).unwrap_or_else(|why| panic!("{why}: {body}")));
        let life = Life {
            id: text(&issued["id"]).to_owned(),
            currency,
            history: History::new(Arc::clone(&curve)),
            standing: Vec::new(),
            open: Vec::new(),
            reclassified: Vec::new(),
            framework,
            converts,
            curve,
            equity,
            backdated: dice.pick(&[0, 15, 40, 100]),
        };
        life.check_books(service).await;
        life
    }

    pub fn settlement(&self) -> Date {
        self.curve.terms().settlement
    }

    pub fn maturity(&self) -> Date {
        self.history.maturity()
    }

    pub fn is_compound(&self) -> bool {
        self.equity.is_some()
    }

    /// A random event: posted, recorded in the reference if the service recorded it, and compared.
    pub async fn step(&mut self, service: &Service, dice: &mut Dice, event: Event) -> Outcome {
        let backdated = self.date_of(event) < self.history.accrued_boundary();
        let outcome = match event {
            Event::Accrual { through } => self.accrue(service, through).await,
            Event::Coupon { date, paid_on } => self.pay(service, date, paid_on).await,
            Event::Reversal { event } => self.reverse(service, dice, event).await,
            Event::Revision(revision) => self.revise(service, revision).await,
            Event::Conversion { date, principal_minor } | Event::Surrender { date, principal_minor }
                if self.is_apart(date, principal_minor) =>
            {
                Outcome::Apart
            }
            Event::Surrender { date, principal_minor } => {
                // With its settlement in one request, or alone.
                let settled = dice.chance(30).then(|| later(date, dice.between(1, 60)));
                self.surrender(service, date, principal_minor, settled).await
            }
            Event::Settlement { surrender, date } => self.settle(service, surrender, date).await,
            Event::Conversion { .. } | Event::Extinguishment { .. } => self.take_out(service, event).await,
        };
        self.check_books(service).await;
        for _ in 0..2 {
            let as_of = self.any_day(dice);
            self.check_position(service, as_of).await;
        }
        match outcome {
            Outcome::Converted if backdated => Outcome::Backdated,
            outcome => outcome,
        }
    }

    pub fn date_of(&self, event: Event) -> Date {
        match event {
            Event::Accrual { through } => through,
            Event::Revision(revision) => revision.date(),
            Event::Reversal { event } => self.date_of(self.history.events()[event]),
            Event::Coupon { date, paid_on } => paid_on.unwrap_or(date),
            Event::Conversion { date, .. }
            | Event::Surrender { date, .. }
            | Event::Settlement { date, .. }
            | Event::Extinguishment { date, .. } => date,
        }
    }

    /// Any day on which something can be asked, before settlement and after maturity too.
    pub fn any_day(&self, dice: &mut Dice) -> Date {
        dice.date(later(self.settlement(), -20), later(self.maturity(), 200))
    }

    pub fn propose(&self, dice: &mut Dice) -> Event {
        let (settlement, maturity) = (self.settlement(), self.maturity());
        let reached = self.history.accrued_boundary().min(maturity);
        let date = if dice.chance(self.backdated) {
            dice.date(settlement, maturity)
        } else {
            let step = dice.pick(&[0, 1, 20, 90, 200]);
            dice.date(reached, later(reached, step).min(maturity))
        };
        let event = match dice.between(1, 16) {
            11 if !self.standing.is_empty() => Event::Reversal { event: dice.pick(&self.standing_events()) },
            12..=13 if !self.open.is_empty() => {
                let surrender = dice.pick(&self.open);
                let first = self.date_of(self.history.events()[surrender]);
                let date = if dice.chance(80) { date.max(first) } else { dice.date(first, later(maturity, 30)) };
                Event::Settlement { surrender, date }
            }
            12..=14 => match self.conversion(dice, date) {
                Event::Conversion { date, principal_minor } => Event::Surrender { date, principal_minor },
                other => other,
            },
            15..=16 => self.revision(dice, date),
            1..=2 => Event::Accrual { through: if dice.chance(60) { date.last_of_month() } else { date } },
            3..=5 => self.coupon(dice, date).unwrap_or_else(|| self.conversion(dice, date)),
            6..=7 => self.extinguishment(dice, date),
            _ => self.conversion(dice, date),
        };
        match event {
            Event::Conversion { date, principal_minor } | Event::Surrender { date, principal_minor }
                if !self.converts =>
            {
                Event::Extinguishment { date, principal_minor }
            }
            other => other,
        }
    }

    /// Mostly the next coupon that is not paid; now and then any, one that is paid already among them.
    fn coupon(&self, dice: &mut Dice, date: Date) -> Option<Event> {
        let dates: Vec<Date> = self.history.chain().coupon_dates().collect();
        if dates.is_empty() {
            return None;
        }
        let date = if dice.chance(85) {
            dates.into_iter().find(|due| !self.is_paid(*due)).filter(|due| *due <= later(date, 120))?
        } else {
            dice.pick(&dates)
        };
        let paid_on = dice.chance(40).then(|| later(date, dice.between(0, 6)));
        Some(Event::Coupon { date, paid_on })
    }

    fn conversion(&self, dice: &mut Dice, date: Date) -> Event {
        let terms = self.curve.terms();
        let bonds = (terms.principal_minor / terms.denomination_minor) as i64;
        let converted = if dice.chance(10) { dice.between(1, bonds) } else { dice.between(1, 1 + bonds / 12) };
        Event::Conversion { date, principal_minor: terms.denomination_minor * i128::from(converted) }
    }

    /// Bought back, or now and then everything repaid at maturity or some days later.
    fn extinguishment(&self, dice: &mut Dice, date: Date) -> Event {
        let outstanding = self.history.position(later(self.maturity(), 200)).principal;
        match self.conversion(dice, date) {
            Event::Conversion { .. } if dice.chance(10) && outstanding > 0 => {
                Event::Extinguishment { date: later(self.maturity(), dice.between(0, 3)), principal_minor: outstanding }
            }
            Event::Conversion { date, principal_minor } => Event::Extinguishment { date, principal_minor },
            other => other,
        }
    }

    fn is_paid(&self, due: Date) -> bool {
        self.history.is_paid(due)
    }

    async fn accrue(&mut self, service: &Service, through: Date) -> Outcome {
        let answer = service.post(&on(&self.id, "accruals"), &json!({"through": through.to_string()})).await;
        if answer.status == 200 {
            assert_eq!(answer.json()["journal_batches"], json!([]), "200 says that nothing was posted");
            return Outcome::Nothing;
        }
        let document = answer.created();
        self.record(Event::Accrual { through });
        self.check_figures(&document["position_after"], self.history.position(through.min(self.maturity())));
        Outcome::Accrued
    }

    async fn pay(&mut self, service: &Service, date: Date, paid_on: Option<Date>) -> Outcome {
        let mut body = json!({"coupon_date": date.to_string()});
        if let Some(paid_on) = paid_on {
            body["paid_on"] = json!(paid_on.to_string());
        }
        let event = Event::Coupon { date, paid_on };
        let answer = service.post(&on(&self.id, "coupon-payments"), &body).await;
        if self.is_paid(date) {
            answer.conflict("coupon_already_paid");
            return Outcome::Refused;
        }
        let tried = self.with(event);
        if tried.payment(self.history.events().len()) == Some(0) {
            answer.conflict("nothing_due");
            return Outcome::Refused;
        }
        self.check_event(event, &answer);
        let paid = self.history.payment(self.history.events().len() - 1).expect("a payment was recorded");
        assert_eq!(answer.json()["coupon_payment"]["amount"], self.currency.written(paid));
        Outcome::Paid
    }

    /// How a conversion, a repurchase or a repayment at maturity is asked for, and the block that it is answered with.
    fn request(&self, event: Event) -> (&'static str, &'static str, Value) {
        let (date, principal) = match event {
            Event::Conversion { date, principal_minor } | Event::Extinguishment { date, principal_minor } => {
                (date.to_string(), self.currency.written(principal_minor))
            }
            other => panic!("{other:?} takes no bonds out"),
        };
        let maturity = self.maturity();
        match event {
            Event::Conversion { .. } => {
                let body = json!({"effective_date": date, "principal": principal, "share_price": "12.5"});
                ("conversions", "conversion", body)
            }
            Event::Extinguishment { date: paid_on, .. } if paid_on >= maturity => {
                let body = json!({"effective_date": maturity.to_string(), "principal": principal, "kind": "maturity",
                    "paid_on": date});
                ("redemptions", "redemption", body)
            }
            _ => {
                let mut body = json!({"effective_date": date, "principal": principal, "price_percent": "98.765"});
                if self.equity.is_some() {
                    body["straight_debt_rate"] = json!("0.07");
                }
                ("repurchases", "repurchase", body)
            }
        }
    }

    /// Whether the service refuses an event that takes bonds out of what bears interest; then the reference does too.
    pub fn is_refused(&self, event: Event, answer: &Answer) -> bool {
        if !matches!(answer.status, 409 | 422) {
            return false;
        }
        let code = answer.json()["code"].clone();
        let known = ["exceeds_outstanding", "later_event_in_the_way", "no_conversion_terms"];
        assert!(known.iter().any(|known| code == *known), "{code}");
        assert_eq!(answer.status == 422, code == "no_conversion_terms", "{code}");
        let mut events = self.history.events().to_vec();
        events.push(event);
        assert!(History::of(Arc::clone(&self.curve), &events).is_err(), "only the service refuses {event:?}");
        true
    }

    async fn take_out(&mut self, service: &Service, event: Event) -> Outcome {
        let (kind, block, body) = self.request(event);
        let answer = service.post(&on(&self.id, kind), &body).await;
        if self.is_refused(event, &answer) {
            return Outcome::Refused;
        }
        self.check_event(event, &answer);
        let Moved { principal, premium_discount, issue_costs, accrued_interest, handed_over, .. } =
            self.history.conversion_result(self.history.events().len() - 1).expect("bonds left");
        let block = &answer.json()[block];
        for (name, minor) in [
            ("principal", principal),
            ("premium_discount", premium_discount),
            ("issue_costs", issue_costs),
            ("carrying_amount", principal + premium_discount + issue_costs),
            ("accrued_interest", accrued_interest),
        ] {
            assert_eq!(block[name], self.currency.written(minor), "{name} of {block}");
        }
        if let Event::Conversion { .. } = event {
            assert_eq!(block["coupon_handed_over"], self.currency.written(handed_over), "{block}");
        }
        Outcome::Converted
    }

    /// Whether core and reference take another coupon for the converted bonds, by a rounding unit: the core as it was paid, on the
    /// principal before the coupon date, the reference on the principal at the conversion; or whether a unit more was left payable
    /// than the coupon that was paid. `tests/it/histories/life.rs` gives the reasons.
    fn is_apart(&self, date: Date, principal: i128) -> bool {
        let chain = self.history.chain();
        let Some(coupon_date) = chain.coupon_date_after(date) else { return false };
        let outstanding = |counts: &dyn Fn(Date) -> bool| -> i128 { self.history.principal_after(counts) };
        let (held, now) = (outstanding(&|on| on < coupon_date), outstanding(&|on| on <= date));
        if held < principal || now < principal {
            return false;
        }
        let share = |of: i128| chain.coupon(of, coupon_date) - chain.coupon(of - principal, coupon_date);
        let accrued =
            |of: i128| chain.balance(of, date, date).accrued - chain.balance(of - principal, date, date).accrued;
        share(held) != share(now) || self.is_paid(coupon_date) && accrued(now) > share(held)
    }

    /// The history with one more event, which is not recorded.
    pub fn with(&self, event: Event) -> History {
        let mut events = self.history.events().to_vec();
        events.push(event);
        History::of(Arc::clone(&self.curve), &events).unwrap_or_else(|why| panic!("{event:?}: {why}"))
    }

    /// The history as it was when it had that many events.
    pub fn as_of_event(&self, count: usize) -> History {
        History::of(Arc::clone(&self.curve), &self.history.events()[..count]).expect("it was recorded")
    }

    pub fn record(&mut self, event: Event) {
        self.history.record(event).unwrap_or_else(|why| panic!("only the service records {event:?}: {why}"));
    }

    /// Records an event that the service recorded, and compares the positions that its answer tells.
    pub fn check_event(&mut self, event: Event, answer: &Answer) {
        let document = answer.created();
        self.standing.extend(Standing::of(&document, vec![self.history.events().len()]));
        let date = self.date_of(event);
        let boundary = date.min(self.maturity());
        self.check_figures(&document["position_before"], self.history.position_at(date, boundary));
        self.record(event);
        self.check_figures(&document["position_after"], self.history.position_at(date, boundary));
    }

    /// The position of a document is the reference's, figure by figure.
    #[track_caller]
    pub fn check_figures(&self, document: &Value, expected: Components) {
        for (name, minor) in [
            ("principal", expected.principal),
            ("premium_discount", expected.premium_discount),
            ("issue_costs", expected.issue_costs),
            ("carrying_amount", expected.carrying_amount()),
            ("interest_due", expected.interest_due),
            ("interest_accrued", expected.interest_accrued),
            ("interest_payable", expected.interest_payable()),
            ("interest_receivable", expected.interest_receivable),
        ] {
            assert_eq!(document[name], self.currency.written(minor), "{name}: expected {expected:?} in {document}");
        }
        let surrendered = match expected.surrendered {
            0 => Value::Null,
            minor => json!(self.currency.written(minor)),
        };
        assert_eq!(document["surrendered"]["principal"], surrendered, "{document}");
        self.check_equity(document, expected, &document["surrendered"]);
    }

    /// The equity component is in proportion to the principal; of each surrender it is kept as it was, the difference of two roundings.
    #[track_caller]
    fn check_equity(&self, document: &Value, expected: Components, surrendered: &Value) {
        let Some((equity, of)) = self.equity else { return };
        let rounded = |principal: i128| (2 * equity * principal + of) / (2 * of);
        let kept =
            surrendered["equity_component"].as_str().map_or(0, |kept| kept.replace('.', "").parse().expect("minor"));
        let held = self.open.len() as i128;
        assert!((kept - rounded(expected.surrendered)).abs() <= held + 1, "{document}");
        let principal = expected.principal - expected.surrendered;
        let share = rounded(principal) + kept;
        let expected = if share == 0 { Value::Null } else { json!(self.currency.written(share)) };
        assert_eq!(document["equity_component"], expected, "equity of {principal} in {document}");
    }

    /// Everything booked so far, whenever it was posted, is what the reference has booked.
    pub async fn check_books(&self, service: &Service) {
        let last = self.history.events().iter().map(|event| self.date_of(*event)).max();
        let as_of = later(last.unwrap_or(self.maturity()).max(self.maturity()), 100);
        let document = service.carrying_value(&self.id, &as_of.to_string()).await;
        let (booked, expected) = (&document["booked"], self.history.booked());
        for (name, minor) in [
            ("principal", expected.principal),
            ("premium_discount", expected.premium_discount),
            ("issue_costs", expected.issue_costs),
            ("carrying_amount", expected.carrying_amount()),
            ("interest_payable", expected.interest_payable()),
            ("interest_receivable", expected.interest_receivable),
        ] {
            assert_eq!(booked[name], self.currency.written(minor), "{name}: expected {expected:?} in {document}");
        }
        self.check_equity(booked, expected, &document["surrendered"]);
        self.check_tied(&document);
    }

    pub async fn check_position(&self, service: &Service, as_of: Date) {
        let document = service.carrying_value(&self.id, &as_of.to_string()).await;
        self.check_figures(&document, self.history.position(as_of));
        self.check_tied(&document);
    }

    #[track_caller]
    pub fn check_tied(&self, document: &Value) {
        assert_eq!(document["status"], "tied", "{document}");
        let unexplained = document["unexplained"].as_object().expect("an object of components");
        let zero = json!(self.currency.written(0));
        assert!(unexplained.len() >= 6 && unexplained.values().all(|figure| *figure == zero), "{document}");
        for item in array(&document["reconciling_items"]) {
            let day = |name: &str| text(&item[name]).parse::<Date>().expect("a date");
            assert!(day("effective_date") <= day("posting_date"), "{item}");
        }
    }
}
