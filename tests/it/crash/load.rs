//! Clients that post until the service is gone, and write down what they sent and what was acknowledged.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use serde_json::{Value, json};
use tokio::sync::mpsc::UnboundedSender;

use super::client::{Client, conversion};
use super::ledger::{Acknowledged, Ledger};

pub const ENTITY: &str = "ROPE";
/// Far more than all clients convert.
pub const BONDS: i64 = 100_000;
const TERMS: [&str; 3] = ["forfeited", "paid", "payable"];
/// Of the ten years that the issues last: the further the clock goes, the more postings each event has.
const MONTHS: usize = 48;

/// Numbers that look random; the same seed gives the same ones.
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self, sides: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % sides as u64) as usize
    }
}

/// One request to record something on an issue.
#[derive(Clone, Debug)]
pub struct Post {
    pub key: String,
    pub issue: String,
    pub kind: &'static str,
    pub bonds: i64,
    body: Value,
}

impl Post {
    pub fn path(&self) -> String {
        format!("/v1/bond-issues/{}/{}", self.issue, self.kind)
    }

    pub async fn send(&self, client: &Client) -> Result<super::client::Answer, reqwest::Error> {
        client.post(&self.path(), &self.key, &self.body).await
    }

    pub fn acknowledged(&self, (event, sequence): (String, i64)) -> Acknowledged {
        let (key, issue, kind) = (self.key.clone(), self.issue.clone(), self.kind.to_owned());
        Acknowledged { key, issue, kind, bonds: self.bonds, event, sequence }
    }
}

struct Coupons {
    /// Coupons handed out, in order of their dates.
    posted: usize,
    /// The key of the one that is not acknowledged yet; the next waits for it.
    open: Option<String>,
}

/// What all clients share.
struct Shared {
    dice: Dice,
    /// Every post that was made, by key.
    made: BTreeMap<String, Post>,
    /// Keys sent and not answered.
    open: BTreeMap<String, Post>,
    coupons: Vec<Coupons>,
    /// How many posts take the clock through the life of the issues.
    expected: usize,
}

/// The clients' side of one database.
#[derive(Clone)]
pub struct Load {
    pub issues: Arc<Vec<String>>,
    pub ledger: Arc<Ledger>,
    shared: Arc<Mutex<Shared>>,
}

/// The coupon date that many half-years after settlement.
fn coupon_date(number: usize) -> String {
    let half_years = number + 1;
    format!("{}-{}-15", 2024 + half_years / 2, if half_years % 2 == 1 { "07" } else { "01" })
}

/// A date in a month after settlement; few days, so that events share dates.
fn date(month: usize, day: usize) -> String {
    format!("{}-{:02}-{:02}", 2024 + (month + 1) / 12, (month + 1) % 12 + 1, [1, 10, 20, 28][day])
}

impl Load {
    /// Opens the books of three issues, one for each rule on accrued interest.
    pub async fn open(client: &Client, ledger: Ledger, seed: u64, expected: usize) -> Load {
        client.open_entity(ENTITY).await;
        let mut issues = Vec::new();
        for terms in TERMS {
            issues.push(client.issue(ENTITY, terms, BONDS, terms).await);
        }
        let coupons = issues.iter().map(|_| Coupons { posted: 0, open: None }).collect();
        let shared = Shared { dice: Dice(seed), made: BTreeMap::new(), open: BTreeMap::new(), coupons, expected };
        Load { issues: Arc::new(issues), ledger: Arc::new(ledger), shared: Arc::new(Mutex::new(shared)) }
    }

    fn shared(&self) -> std::sync::MutexGuard<'_, Shared> {
        self.shared.lock().expect("no client panicked")
    }

    /// The next post, written down as open.
    fn next(&self) -> Post {
        let mut shared = self.shared();
        let made = shared.made.len();
        let key = format!("post-{made}");
        let now = (made * MONTHS / shared.expected).min(MONTHS - 3);
        let at = shared.dice.roll(self.issues.len());
        let due = shared.coupons[at].posted * 6 + 6 <= now && shared.coupons[at].posted < 19;
        let (kind, bonds, body) = match shared.dice.roll(8) {
            0..=1 if due && shared.coupons[at].open.is_none() => {
                shared.coupons[at].open = Some(key.clone());
                let body = json!({"coupon_date": coupon_date(shared.coupons[at].posted)});
                shared.coupons[at].posted += 1;
                ("coupon-payments", 0, body)
            }
            2 => ("accruals", 0, json!({"through": date(now, 3)})),
            _ => {
                let (back, day) = (shared.dice.roll(3), shared.dice.roll(3));
                let bonds = 1 + shared.dice.roll(3) as i64;
                ("conversions", bonds, conversion(&date(now.saturating_sub(back), day), bonds))
            }
        };
        let post = Post { key, issue: self.issues[at].clone(), kind, bonds, body };
        shared.made.insert(post.key.clone(), post.clone());
        shared.open.insert(post.key.clone(), post.clone());
        post
    }

    /// Takes an answer: what was recorded is on the disk before the post counts as answered.
    #[track_caller]
    fn answered(&self, post: &Post, answer: &super::client::Answer) {
        // An accrual through a date that is accrued already has nothing to post, and is not recorded.
        if !(answer.status == 200 && post.kind == "accruals" && answer.json()["journal_batches"] == json!([])) {
            self.ledger.append(&post.acknowledged(answer.event()));
        }
        let mut shared = self.shared();
        shared.open.remove(&post.key);
        for coupons in &mut shared.coupons {
            coupons.open.take_if(|key| *key == post.key);
        }
    }

    /// Posts until no answer comes, telling of each request and each answer.
    pub async fn run(self, client: Client, told: UnboundedSender<()>) {
        loop {
            let post = self.next();
            // The receiver goes when it has heard enough; the client goes on until the service is gone.
            told.send(()).ok();
            let Ok(answer) = post.send(&client).await else { return };
            self.answered(&post, &answer);
            told.send(()).ok();
        }
    }

    /// Repeats what was sent and not answered, and returns how much of it had been recorded and how much had not.
    pub async fn settle(&self, client: &Client) -> (usize, usize) {
        let open: Vec<Post> = self.shared().open.values().cloned().collect();
        let mut recorded = 0;
        for post in &open {
            let answer = post.send(client).await.unwrap_or_else(|error| panic!("{}: {error:?}", post.key));
            recorded += usize::from(answer.replayed);
            self.answered(post, &answer);
        }
        (recorded, open.len() - recorded)
    }

    pub fn post(&self, key: &str) -> Post {
        self.shared().made.get(key).unwrap_or_else(|| panic!("{key} was never posted")).clone()
    }
}
