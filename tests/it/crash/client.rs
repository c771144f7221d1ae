//! A client of the service as it is run, and the invented books that it keeps there.

use std::time::Duration;

use reqwest::Method;
use serde_json::{Value, json};

/// Far beyond what any request takes on a loaded machine: reaching it is a failure.
const DEADLINE: Duration = Duration::from_secs(30);

/// Every account role that a bond issue needs, so that each batch is released when it is posted.
const ROLES: [&str; 12] = [
    "cash",
    "bonds_payable",
    "premium_on_bonds_payable",
    "discount_on_bonds_payable",
    "debt_issue_costs",
    "interest_payable",
    "interest_receivable",
    "interest_expense",
    "common_stock",
    "additional_paid_in_capital",
    "debt_conversion_expense",
    "accrued_inducement",
];

/// Clones share connections.
#[derive(Clone)]
pub struct Client {
    http: reqwest::Client,
    address: String,
}

/// What the service answered.
#[derive(Clone, Debug)]
pub struct Answer {
    pub status: u16,
    pub replayed: bool,
    pub text: String,
}

impl Answer {
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|error| panic!("{error}: {}", self.text))
    }

    /// The id and the sequence of the event that a 201 tells.
    #[track_caller]
    pub fn event(&self) -> (String, i64) {
        let document = self.json();
        match (self.status, document["event"]["id"].as_str(), document["event"]["sequence"].as_i64()) {
            (201, Some(id), Some(sequence)) => (id.to_owned(), sequence),
            _ => panic!("{} is no recorded event: {}", self.status, self.text),
        }
    }
}

impl Client {
    pub fn new(address: &str) -> Client {
        // Any provider of cryptography will do, and the first one stays.
        rustls::crypto::ring::default_provider().install_default().ok();
        // A proxy of whoever runs the tests must not stand between.
        let http = reqwest::Client::builder().timeout(DEADLINE).no_proxy().build().expect("a client");
        Client { http, address: address.to_owned() }
    }

    /// Sends a request. An error means that no answer came.
    pub async fn send(
        &self,
        method: Method,
        path: &str,
        key: Option<&str>,
        body: Option<&Value>,
    ) -> Result<Answer, reqwest::Error> {
        let mut request = self.http.request(method, format!("{}{path}", self.address));
        if let Some(key) = key {
            request = request.header("idempotency-key", key);
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        let response = request.send().await?;
        let status = response.status().as_u16();
        let replayed = response.headers().get("idempotent-replayed").is_some_and(|value| value == "true");
        Ok(Answer { status, replayed, text: response.text().await? })
    }

    pub async fn post(&self, path: &str, key: &str, body: &Value) -> Result<Answer, reqwest::Error> {
        self.send(Method::POST, path, Some(key), Some(body)).await
    }

    /// Posts to a service that is expected to be there.
    pub async fn must_post(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.post(path, key, body).await.unwrap_or_else(|error| panic!("{path}: {error:?}"))
    }

    /// The body of a 200.
    pub async fn get(&self, path: &str) -> String {
        let answer = self.send(Method::GET, path, None, None).await;
        let answer = answer.unwrap_or_else(|error| panic!("{path}: {error:?}"));
        assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        answer.text
    }

    pub async fn get_json(&self, path: &str) -> Value {
        serde_json::from_str(&self.get(path).await).expect("an answer is JSON")
    }

    /// All items of a list, page after page.
    pub async fn items(&self, path: &str) -> Vec<Value> {
        let joint = if path.contains('?') { '&' } else { '?' };
        let (mut items, mut cursor) = (Vec::new(), String::new());
        loop {
            let page = self.get_json(&format!("{path}{joint}limit=500{cursor}")).await;
            items.extend(page["items"].as_array().expect("a page has items").iter().cloned());
            match page["next_cursor"].as_str() {
                Some(next) => cursor = format!("&cursor={next}"),
                None => return items,
            }
        }
    }

    /// At most so many releases of an entity after one, waiting for some if there are none.
    pub async fn next_releases(&self, entity: &str, after: i64, limit: usize) -> Result<Value, reqwest::Error> {
        let path = format!("{}/v1/entities/{entity}/releases?after={after}&limit={limit}", self.address);
        let answer = self.http.get(path).header("prefer", "wait=20").send().await?.error_for_status()?;
        assert_eq!(answer.headers().get("preference-applied").map(|applied| applied.as_bytes()), Some(&b"wait=20"[..]));
        answer.json().await
    }

    /// All releases of an entity.
    pub async fn releases(&self, entity: &str) -> Vec<Value> {
        let mut all: Vec<Value> = Vec::new();
        loop {
            let page = self.get_json(&format!("/v1/entities/{entity}/releases?limit=500&after={}", all.len())).await;
            let items = page["items"].as_array().expect("a feed has items");
            if items.is_empty() {
                return all;
            }
            all.extend(items.iter().cloned());
        }
    }

    /// Creates an entity with all accounts mapped: its records 1 and 2.
    pub async fn open_entity(&self, code: &str) {
        let entity = json!({
            "code": code, "name": "Quarry Lane Ropeways, Inc.", "functional_currency": "USD", "fiscal_year_end": "12-31"
        });
        let created = self.send(Method::POST, "/v1/entities", None, Some(&entity)).await.expect("an answer");
        assert_eq!(created.status, 201, "{}", created.text);
        let accounts: serde_json::Map<String, Value> = ROLES
            .iter()
            .enumerate()
            .map(|(at, role)| ((*role).to_owned(), json!({"account": (2000 + at).to_string()})))
            .collect();
        let path = format!("/v1/entities/{code}/account-mapping?effective_from=2020-01-01");
        let mapped =
            self.send(Method::PUT, &path, None, Some(&json!({"accounts": accounts}))).await.expect("an answer");
        assert_eq!(mapped.status, 200, "{}", mapped.text);
    }

    /// Issues convertible bonds of 1,000.00 each at a premium with costs: twenty coupons from 2024-07-15 to 2034-01-15. Shares
    /// come out whole. Returns the id.
    pub async fn issue(&self, entity: &str, reference: &str, bonds: i64, on_conversion: &str) -> String {
        let body = json!({
            "entity": entity, "reference": reference, "currency": "USD",
            "principal": format!("{bonds}000.00"), "denomination": "1000.00",
            "coupon_rate": "0.06", "coupon_frequency": 2, "day_count": "30/360",
            "dated_date": "2024-01-15", "settlement_date": "2024-01-15", "maturity_date": "2034-01-15",
            "proceeds": format!("{bonds}037.50"), "issue_costs": format!("{}.00", 11 * bonds),
            "conversion": {"shares_per_denomination": "25", "share_par_value": "0.01", "accrued_interest": on_conversion}
        });
        let issued = self.must_post("/v1/bond-issues", &format!("issue-{reference}"), &body).await;
        assert_eq!(issued.status, 201, "{}", issued.text);
        issued.json()["id"].as_str().expect("an issue has an id").to_owned()
    }

    /// The principal outstanding at the end of an issue's life, before its redemption, in whole bonds.
    pub async fn outstanding(&self, issue: &str) -> i64 {
        let value = self.get_json(&format!("/v1/bond-issues/{issue}/carrying-value?as_of=2034-01-14")).await;
        let principal = value["principal"].as_str().expect("a carrying value has a principal");
        let cents: i64 = principal.replace('.', "").parse().expect("a principal is a decimal with two places");
        assert_eq!(cents % 100_000, 0, "{principal} is no whole number of bonds");
        cents / 100_000
    }
}

/// A conversion of some bonds.
pub fn conversion(date: &str, bonds: i64) -> Value {
    json!({"effective_date": date, "principal": format!("{bonds}000.00")})
}
