//! One entity with many issues, grown over HTTP.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jiff::civil::Date;
use parwright::document::wire::Timestamp;
use serde_json::json;

use crate::books::{self, Conversions, Random};
use crate::client::Client;

const CLIENTS: usize = 16;

pub struct Portfolio {
    pub entity: String,
    pub issues: Vec<String>,
}

impl Portfolio {
    /// An entity with so many issues, all settled on 2020-01-15.
    pub async fn create(address: &str, issues: usize) -> Portfolio {
        let entity = books::entity_code(1);
        let mut client = Client::connect(address).await;
        books::create_entity(&mut client, &entity).await;
        let next = Arc::new(Mutex::new(0..issues));
        let mut tasks = Vec::new();
        for _ in 0..CLIENTS {
            let (mut client, next, entity) = (Client::connect(address).await, Arc::clone(&next), entity.clone());
            tasks.push(tokio::spawn(async move {
                let mut ids = Vec::new();
                loop {
                    let number = next.lock().expect("a client does not panic").next();
                    let Some(number) = number else { return ids };
                    ids.push(books::create_issue(&mut client, &entity, number).await);
                }
            }));
        }
        let mut issues = Vec::with_capacity(issues);
        for task in tasks {
            issues.extend(task.await.expect("a client does not panic"));
        }
        Portfolio { entity, issues }
    }

    /// Converts bonds of random issues on the first so many dates.
    pub async fn convert(&self, address: &str, conversions: usize, dates: usize) {
        let mut tasks = Vec::new();
        for at in 0..CLIENTS {
            let mut client = Client::connect(address).await;
            let own = self.issues.iter().skip(at).step_by(CLIENTS);
            let mut own: Vec<Conversions> = own.map(|issue| Conversions::of(issue)).collect();
            let mut random = Random(at as u64);
            tasks.push(tokio::spawn(async move {
                let each = conversions / CLIENTS;
                for nth in 0..each {
                    let at = random.below(own.len());
                    client.send(&own[at].on(Conversions::date(nth * dates / each))).await.ok();
                }
            }));
        }
        for task in tasks {
            task.await.expect("a client does not panic");
        }
    }

    /// Accrues all issues through a date, and returns how long that took.
    pub async fn accrue(&self, address: &str, through: Date) -> Duration {
        let mut client = Client::connect(address).await;
        let path = format!("/v1/entities/{}/accruals", self.entity);
        let started = Instant::now();
        client.post(&path, &format!("accrual-{through}"), &json!({"through": through.to_string()})).await.ok();
        started.elapsed()
    }

    /// When its newest command was recorded, in microseconds since 1970.
    pub async fn newest(&self, client: &mut Client) -> i64 {
        newest(client, &self.issues[0]).await
    }
}

/// When the newest command of the entity of an issue was recorded.
pub async fn newest(client: &mut Client, issue: &str) -> i64 {
    let answer = client.get(&format!("/v1/bond-issues/{issue}/carrying-value?as_of=2020-01-31")).await.json();
    let known_at: Timestamp = answer["known_at"].as_str().and_then(|at| at.parse().ok()).expect("every report has one");
    known_at.microseconds()
}
