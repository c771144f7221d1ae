//! Lists in pages.

use serde_json::{Value, json};

use crate::support::client::{Service, items, on, on_both_engines, text};

on_both_engines! {
    a_list_is_read_page_by_page_along_its_links
    a_page_shows_what_was_known_when_the_first_was_read
    a_cursor_belongs_to_its_list_and_filters
    a_limit_is_from_1_to_500_and_an_unknown_parameter_is_refused
    the_feed_is_read_after_a_number
}

async fn several(service: &Service) -> Vec<String> {
    service.mapped_entity("ACME").await;
    let mut issues = Vec::new();
    for number in 1..=5 {
        issues.push(service.issue(json!({"reference": format!("CB-{number}")})).await);
    }
    service.record(&issues[0], "accruals", json!({"through": "2025-05-31"})).await;
    for principal in ["1000.00", "2000.00", "3000.00"] {
        let body = json!({"effective_date": "2025-06-02", "principal": principal});
        service.record(&issues[0], "conversions", body).await;
    }
    issues
}

const LISTS: [&str; 5] = [
    "/v1/bond-issues?entity=ACME",
    "/v1/bond-issues?",
    "/v1/journal-batches?entity=ACME",
    "/v1/entities/ACME/carrying-values?as_of=2025-03-31",
    "EVENTS?",
];

async fn a_list_is_read_page_by_page_along_its_links(service: Service) {
    let issues = several(&service).await;
    service.entity("BETA").await;
    service.entity("GAMMA").await;
    for list in LISTS.into_iter().chain(["/v1/entities?"]) {
        let list = list.replace("EVENTS", &on(&issues[0], "events"));
        let all = items(&service.read(&format!("{list}&limit=500")).await);
        assert!(all.len() >= 3, "{list}");
        let (mut address, mut seen) = (format!("{list}&limit=2"), Vec::new());
        loop {
            let answer = service.get(&address).await;
            let page = answer.done();
            seen.extend(items(&page));
            let link = answer.header("link");
            let Some(cursor) = page["next_cursor"].as_str() else {
                assert_eq!(link, "", "{list}");
                break;
            };
            assert_eq!(items(&page).len(), 2, "{list}");
            let (target, relation) = link.strip_prefix('<').and_then(|rest| rest.split_once('>')).expect("a link");
            assert_eq!(relation, "; rel=\"next\"");
            assert!(target.contains(cursor), "{link}");
            address = target.to_owned();
        }
        assert_eq!(seen, all, "{list}");
    }
}

async fn a_page_shows_what_was_known_when_the_first_was_read(service: Service) {
    let issues = several(&service).await;
    for (at, list) in LISTS.into_iter().enumerate() {
        let list = list.replace("EVENTS", &on(&issues[0], "events"));
        let before = items(&service.read(&format!("{list}&limit=500")).await);
        let first = service.read(&format!("{list}&limit=1")).await;
        let reference = format!("NEW-{at}");
        service.issue(json!({"reference": reference})).await;
        let through = format!("2026-{:02}-28", before.len() % 12 + 1);
        service.post(&on(&issues[0], "accruals"), &json!({"through": through})).await;
        let cursor = text(&first["next_cursor"]);
        let rest = items(&service.read(&format!("{list}&limit=500&cursor={cursor}")).await);
        assert_eq!([items(&first), rest].concat(), before, "{list}");
    }
}

async fn a_cursor_belongs_to_its_list_and_filters(service: Service) {
    let issues = several(&service).await;
    let issued = service.read("/v1/bond-issues?entity=ACME&limit=1").await;
    let listed = service.read("/v1/journal-batches?entity=ACME&limit=1").await;
    let valued = service.read("/v1/entities/ACME/carrying-values?as_of=2025-03-31&limit=1").await;
    let events = service.read(&format!("{}?limit=1", on(&issues[0], "events"))).await;
    let cursor = |page: &Value| text(&page["next_cursor"]).to_owned();
    let (issued, listed, valued, events) = (cursor(&issued), cursor(&listed), cursor(&valued), cursor(&events));
    for path in [
        format!("/v1/bond-issues?cursor={issued}"),
        format!("/v1/bond-issues?entity=ACME&reference=CB-1&cursor={issued}"),
        format!("/v1/bond-issues?entity=ACME&cursor={listed}"),
        format!("/v1/bond-issues?entity=ACME&known_at=2026-01-01T00:00:00Z&cursor={issued}"),
        format!("/v1/journal-batches?entity=ACME&status=released&cursor={listed}"),
        format!("/v1/entities/ACME/carrying-values?as_of=2025-04-30&cursor={valued}"),
        format!("/v1/entities/ACME/carrying-values?as_of=2025-03-31&basis=posted&cursor={valued}"),
        format!("{}?cursor={events}", on(&issues[1], "events")),
        "/v1/bond-issues?entity=ACME&cursor=bm9uZQ".to_owned(),
        "/v1/bond-issues?entity=ACME&cursor=%F0".to_owned(),
        "/v1/entities?cursor=zzz".to_owned(),
    ] {
        let problem = service.get(&path).await.problem(400, "malformed_query");
        assert!(text(&problem["detail"]).contains("cursor") || path.contains("%F0"), "{problem}");
    }
}

async fn a_limit_is_from_1_to_500_and_an_unknown_parameter_is_refused(service: Service) {
    let issues = several(&service).await;
    for list in LISTS.into_iter().chain(["/v1/entities?", "/v1/entities/ACME/releases?"]) {
        let list = list.replace("EVENTS", &on(&issues[0], "events"));
        for limit in ["0", "501", "-1", "ten", "1.5", ""] {
            let problem = service.get(&format!("{list}&limit={limit}")).await.problem(400, "malformed_query");
            assert!(text(&problem["detail"]).contains("limit"), "{problem}");
        }
        service.get(&format!("{list}&limit=1")).await.done();
        service.get(&format!("{list}&limit=1&limit=2")).await.problem(400, "malformed_query");
        let problem = service.get(&format!("{list}&limits=1")).await.problem(400, "unknown_query_parameter");
        assert!(text(&problem["detail"]).contains("\"limits\""), "{problem}");
    }
    for path in [
        "/v1/entities/ACME?deep=true".to_owned(),
        format!("/v1/bond-issues/{}?as_of=2025-01-31", issues[0]),
        format!("{}?as_of=2025-01-31", on(&issues[0], "schedule")),
        "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-01-31&quarter=1".to_owned(),
        "/v1/entities/ACME/trial-balance?as_of=2025-01-31&limit=1".to_owned(),
    ] {
        service.get(&path).await.problem(400, "unknown_query_parameter");
    }
    let body = json!({"through": "2025-06-30"});
    let path = format!("{}?validate=true", on(&issues[1], "accruals"));
    service.post(&path, &body).await.problem(400, "unknown_query_parameter");
}

async fn the_feed_is_read_after_a_number(service: Service) {
    several(&service).await;
    let all = service.releases().await;
    let (mut after, mut seen) = (0, Vec::new());
    loop {
        let page = service.read(&format!("/v1/entities/ACME/releases?after={after}&limit=2")).await;
        crate::support::client::assert_fields(&page, "items next_after");
        let read = items(&page);
        if read.is_empty() {
            assert_eq!(page["next_after"], json!(after), "nothing new moves nothing");
            break;
        }
        after = page["next_after"].as_u64().expect("a number");
        assert_eq!(read.last().expect("a release")["release"], json!(after));
        seen.extend(read);
    }
    assert_eq!(seen, all);
    service.get("/v1/entities/ACME/releases?after=-1").await.problem(400, "malformed_query");
}
