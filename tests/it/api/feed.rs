//! The feed as a ledger follows it: strictly ordered, without gaps, resumable for ever, whatever is posted, rejected, mended, released
//! again and taken back meanwhile.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::{Date, date};
use serde_json::{Value, json};

use crate::api_histories::dice::{Account, Dice};
use crate::api_histories::number;
use crate::support::client::{
    ENTITIES, ISSUES, Service, all_accounts, array, items, mapping_path, on, on_both_engines, terms, text,
};
use crate::support::ledger::{books, check_batch};

on_both_engines! {
    a_batch_released_after_later_ones_is_seen_where_it_is_released
    two_fiscal_years_that_are_open_share_one_order
    whatever_happens_a_reader_sees_each_release_once
}

/// Commands of a random run that is not told a number.
const COMMANDS: u64 = 50;
const SEED: u64 = 20_261_126;

/// Somebody who follows the feed, keeping nothing but what it got.
struct Reader {
    limit: usize,
    got: Vec<Value>,
}

impl Reader {
    fn new(limit: usize) -> Reader {
        Reader { limit, got: Vec::new() }
    }

    fn last(&self) -> usize {
        self.got.len()
    }

    /// Takes the next page, which is checked to go on where the last one ended, and says whether there was anything.
    async fn read_on(&mut self, service: &Service) -> bool {
        let path = format!("{ENTITIES}/ACME/releases?after={}&limit={}", self.last(), self.limit);
        let page = service.read(&path).await;
        let new = items(&page);
        assert!(new.len() <= self.limit, "a page of {}", new.len());
        for release in &new {
            assert_eq!(release["release"], json!(self.last() + 1), "releases come in order and none is left out");
            check_batch(&release["journal_batch"]);
            self.got.push(release.clone());
        }
        assert_eq!(page["next_after"], json!(self.last()));
        !new.is_empty()
    }

    async fn read_to_the_end(&mut self, service: &Service) {
        while self.read_on(service).await {}
    }
}

/// What a release says for ever. What the ledger answers, and what happens to its batch later, is added to it.
fn lasting(release: &Value) -> Value {
    let batch = &release["journal_batch"];
    let of_release = ["release", "batch", "number", "revision", "released_at", "totals", "release_sha256"];
    let of_batch =
        ["posting_date", "effective_date", "recorded_at", "sequence", "currency", "content_sha256", "entries"];
    let fields = of_release.map(|name| (name, &release[name])).into_iter();
    json!(fields.chain(of_batch.map(|name| (name, &batch[name]))).collect::<BTreeMap<_, _>>())
}

/// What holds of a feed and its batches at any time, whoever read it and in whatever pieces.
async fn check(service: &Service, readers: &mut [Reader], year_of: impl Fn(Date) -> i16) {
    let feed = service.releases().await;
    let batches = service.batches().await;
    let lasting_feed: Vec<Value> = feed.iter().map(lasting).collect();
    for reader in readers {
        reader.read_to_the_end(service).await;
        assert_eq!(reader.got.iter().map(lasting).collect::<Vec<_>>(), lasting_feed, "pages of {}", reader.limit);
    }
    // Revisions of a batch come in order, and the newest one is what the batch shows.
    let mut revisions: BTreeMap<&str, u64> = BTreeMap::new();
    let mut first: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, release) in feed.iter().enumerate() {
        let revision = revisions.entry(text(&release["batch"])).or_default();
        *revision += 1;
        assert_eq!(release["revision"], json!(*revision), "{release}");
        first.entry(text(&release["batch"])).or_insert(at);
    }
    let mut numbers: BTreeMap<i16, Vec<usize>> = BTreeMap::new();
    for batch in &batches {
        let id = text(&batch["id"]);
        assert_eq!(batch.get("revision").and_then(Value::as_u64), revisions.get(id).copied(), "{batch}");
        // A reversal is released after its original.
        if let (Some(of), Some(at)) = (batch.get("reverses").and_then(Value::as_str), first.get(id)) {
            assert!(first.get(of).is_some_and(|original| original < at), "{batch} came before what it reverses");
        }
        let posting_date: Date = text(&batch["posting_date"]).parse().expect("a date");
        let (year, number) = text(&batch["number"]).rsplit_once('-').expect("a number has parts");
        assert_eq!(year, format!("ACME-{}", year_of(posting_date)));
        numbers.entry(year_of(posting_date)).or_default().push(number.parse().expect("a number"));
    }
    // In a fiscal year numbers have no gap, and are given in order of posting.
    for (year, numbers) in numbers {
        assert_eq!(numbers, (1..=numbers.len()).collect::<Vec<_>>(), "{year}");
    }
    // Whoever posts each release under its number has the books.
    assert_eq!(books(&feed), service.journal_lines().await);
}

fn answer_path(batch: &Value) -> String {
    format!("/v1/journal-batches/{}/acknowledgement", text(batch))
}

fn rejected(release: &Value) -> Value {
    json!({"revision": release["revision"], "status": "rejected", "reason": "The account is blocked"})
}

fn calendar_year(of: Date) -> i16 {
    of.year()
}

/// Accounts of which one has another number each time.
fn mended(times: usize) -> Value {
    let mut accounts = all_accounts();
    accounts["accounts"]["interest_expense"]["account"] = json!(format!("70{times:02}"));
    accounts
}

async fn a_batch_released_after_later_ones_is_seen_where_it_is_released(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    let mut readers = [1, 2, 500].map(Reader::new);
    for reader in &mut readers {
        reader.read_to_the_end(&service).await;
    }
    let feed = service.releases().await;
    assert_eq!(feed.len(), 5);
    // Of the accruals of February and March nothing was posted; what comes meanwhile is released at once.
    for release in &feed[2..4] {
        service.post(&answer_path(&release["batch"]), &rejected(release)).await.done();
    }
    service.record(&issue, "accruals", json!({"through": "2025-05-31"})).await;
    readers[0].read_to_the_end(&service).await;
    // March is asked for, then February comes with a mapping, then more is posted.
    let again = format!("/v1/journal-batches/{}/release", text(&feed[3]["batch"]));
    service.post(&again, &json!({})).await.created();
    service.put(&mapping_path("ACME", "2000-01-01"), &mended(1)).await.done();
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    check(&service, &mut readers, calendar_year).await;
    let seen = |release: &Value| format!("{}.{}", text(&release["number"]), release["revision"]);
    assert_eq!(
        readers[0].got[5..].iter().map(seen).collect::<Vec<_>>(),
        ["ACME-2025-000006.1", "ACME-2025-000004.2", "ACME-2025-000003.2", "ACME-2025-000007.1"]
    );

    // A conversion of which nothing was posted is taken back: both wait until it is released again, and come in that order.
    let body = json!({"effective_date": "2025-07-10", "principal": "1000.00"});
    let converted = service.record(&issue, "conversions", body).await;
    let batch = array(&converted["journal_batches"]).last().expect("a batch").clone();
    service.post(&answer_path(&batch["id"]), &rejected(&batch)).await.done();
    let reversal = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    let reversed = service.post(&reversal, &json!({"reason": "Another issue"})).await.created();
    service.record(&issue, "accruals", json!({"through": "2025-08-31"})).await;
    check(&service, &mut readers, calendar_year).await;
    let before = readers[0].last();
    service.post(&format!("/v1/journal-batches/{}/release", text(&batch["id"])), &json!({})).await.created();
    check(&service, &mut readers, calendar_year).await;
    let came: Vec<&Value> = readers[0].got[before..].iter().map(|release| &release["batch"]).collect();
    assert_eq!(came, [&batch["id"], &reversed["journal_batches"][0]["id"]]);
    service.verify().await;
}

/// The fiscal years end in June. One issue is posted in the new year while the other is still posted in the old one, turn and turn about.
async fn two_fiscal_years_that_are_open_share_one_order(service: Service) {
    let body = json!({"code": "ACME", "name": "ACME Ferries, Inc.", "functional_currency": "USD", "framework": "us_gaap",
        "fiscal_year_end": "06-30"});
    service.post(ENTITIES, &body).await.created();
    service.put(&mapping_path("ACME", "2000-01-01"), &all_accounts()).await.done();
    let (old, new) = (service.issue(json!({})).await, service.issue(json!({"reference": "CB-2"})).await);
    service.record(&old, "accruals", json!({"through": "2025-01-31"})).await;
    service.record(&new, "accruals", json!({"through": "2025-06-30"})).await;
    let mut readers = [1, 3, 500].map(Reader::new);
    let mut years = Vec::new();
    for (month, day) in [(2, 28), (3, 31), (4, 30), (5, 31)] {
        let (in_new, in_old) = (date(2025, month + 5, 10), date(2025, month, day));
        let body = json!({"effective_date": in_new.to_string(), "principal": "1000.00"});
        service.record(&new, "conversions", body).await;
        readers[1].read_on(&service).await;
        service.record(&old, "accruals", json!({"through": in_old.to_string()})).await;
        readers[0].read_to_the_end(&service).await;
        years.push(text(&readers[0].got[readers[0].last() - 1]["number"])[..9].to_owned());
        years.push(text(&readers[0].got[readers[0].last() - 2]["number"])[..9].to_owned());
    }
    assert_eq!(years, ["ACME-2025", "ACME-2026"].repeat(4), "they take turns");
    // One conversion that is recorded late is posted in both years at once.
    let body = json!({"effective_date": "2025-06-10", "principal": "1000.00"});
    let late = service.record(&new, "conversions", body).await;
    let of_late: BTreeSet<&str> =
        array(&late["journal_batches"]).iter().map(|batch| &text(&batch["number"])[..9]).collect();
    assert_eq!(of_late.into_iter().collect::<Vec<_>>(), ["ACME-2025", "ACME-2026"]);
    check(&service, &mut readers, |day| if day.month() <= 6 { day.year() } else { day.year() + 1 }).await;
    service.verify().await;
}

/// Books in which anything may happen next.
struct Desk {
    service: Service,
    dice: Dice,
    issues: Vec<String>,
    mappings: usize,
    /// How often each kind of command was recorded.
    done: BTreeMap<&'static str, usize>,
}

impl Desk {
    /// Records one command, or has it refused for a reason that may come up.
    async fn go_on(&mut self) {
        let issue = self.dice.pick(&[0, 1]);
        let day = self.dice.date(date(2025, 10, 1), date(2026, 3, 31)).to_string();
        match self.dice.between(1, 100) {
            1..=30 => {
                let body = json!({"effective_date": day, "principal": "1000.00"});
                self.record("conversion", on(&self.issues[issue], "conversions"), body).await;
            }
            31..=45 => self.record("accrual", on(&self.issues[issue], "accruals"), json!({"through": day})).await,
            46..=60 => self.reject().await,
            61..=70 => self.acknowledge().await,
            71..=80 => self.release_again().await,
            81..=90 => self.reverse().await,
            _ => {
                // From a day in the middle of what is posted: balances move between accounts as well.
                self.mappings += 1;
                let from = if self.dice.chance(50) { day } else { "2000-01-01".to_owned() };
                self.service.put(&mapping_path("ACME", &from), &mended(self.mappings)).await.done();
                *self.done.entry("mapping").or_default() += 1;
            }
        }
    }

    async fn record(&mut self, kind: &'static str, path: String, body: Value) {
        let answer = self.service.post(&path, &body).await;
        match answer.status {
            200 | 201 => *self.done.entry(kind).or_default() += 1,
            409 | 422 => {
                let code = answer.json()["code"].clone();
                let expected = ["later_event_in_the_way", "exceeds_outstanding", "already_reversed", "not_rejected"];
                assert!(expected.contains(&text(&code)), "{kind}: {}", answer.json());
            }
            _ => panic!("{kind}: {}", answer.json()),
        }
    }

    /// One of the batches with a status.
    async fn batch(&mut self, status: &str) -> Option<Value> {
        let batches = self.service.all(&format!("/v1/journal-batches?entity=ACME&limit=500&status={status}")).await;
        self.one_of(batches)
    }

    fn one_of(&mut self, batches: Vec<Value>) -> Option<Value> {
        let last = i64::try_from(batches.len()).expect("a few") - 1;
        (last >= 0).then(|| batches[self.dice.between(0, last) as usize].clone())
    }

    async fn reject(&mut self) {
        let Some(batch) = self.batch("released").await else { return };
        self.record("rejection", answer_path(&batch["id"]), rejected(&batch)).await;
    }

    async fn acknowledge(&mut self) {
        let Some(batch) = self.batch("released").await else { return };
        let body = json!({"revision": batch["revision"], "status": "acknowledged", "totals": batch["totals"]});
        self.record("acknowledgement", answer_path(&batch["id"]), body).await;
    }

    async fn release_again(&mut self) {
        let Some(batch) = self.batch("rejected").await else { return };
        let path = format!("/v1/journal-batches/{}/release", text(&batch["id"]));
        self.record("release again", path, json!({})).await;
    }

    async fn reverse(&mut self) {
        let is_conversion = |entry: &Value| entry["kind"] == json!("conversion");
        let mut batches = self.service.batches().await;
        batches
            .retain(|batch| batch.get("reversed_by").is_none() && array(&batch["entries"]).iter().any(is_conversion));
        let Some(batch) = self.one_of(batches) else { return };
        let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
        self.record("reversal", path, json!({"reason": "Recorded twice"})).await;
    }
}

async fn whatever_happens_a_reader_sees_each_release_once(service: Service) {
    service.mapped_entity("ACME").await;
    let mut issues = Vec::new();
    for reference in ["CB-1", "CB-2"] {
        issues.push(
            text(&service.post(ISSUES, &terms(json!({"reference": reference}))).await.created()["id"]).to_owned(),
        );
    }
    let account =
        Account { seed: number("PARWRIGHT_API_SEED", SEED), doing: "the feed of a random run".to_owned().into() };
    let mut desk = Desk { service, dice: Dice::new(account.seed), issues, mappings: 0, done: BTreeMap::new() };
    let mut readers = [1, 2, 7, 500].map(Reader::new);
    for command in 1..=number("PARWRIGHT_FEED_COMMANDS", COMMANDS) {
        desk.go_on().await;
        // Each reader comes when it likes, and takes a page.
        for reader in &mut readers {
            if desk.dice.chance(40) {
                reader.read_on(&desk.service).await;
            }
        }
        if command % 25 == 0 {
            check(&desk.service, &mut readers, calendar_year).await;
        }
    }
    if account.seed == SEED {
        let kinds = ["accrual", "acknowledgement", "conversion", "mapping", "rejection", "release again", "reversal"];
        assert_eq!(desk.done.keys().copied().collect::<Vec<_>>(), kinds, "nothing is left out");
        let again = readers[0].got.iter().filter(|release| release["revision"] != json!(1)).count();
        assert!(again > 5 && readers[0].last() > 80, "{again} of {}", readers[0].last());
    }
    desk.service.verify().await;
}
