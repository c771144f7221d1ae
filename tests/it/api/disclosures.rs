//! Disclosures as of a date: every figure ties to another report, or is counted by hand.

use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::inducements::all_met;
use crate::support::client::{Service, array, assert_fields, assert_figures, on_both_engines, text};
use crate::support::ledger::figure;

on_both_engines! {
    figures_tie_to_carrying_values_and_rollforward
    under_ifrs_they_tie_too
    what_falls_due_is_told_by_year_and_by_band
    a_conversion_is_priced_at_the_share_price_given
    repayment_of_a_zero_coupon_issue_is_interest_in_part
    bonds_surrendered_and_later_events_are_told
    notices_that_are_not_settled_are_told_one_by_one
    entries_effective_before_the_period_are_told
    every_figure_is_a_row_of_the_csv
    what_was_reclassified_is_told_with_its_facts
    disclosures_that_cannot_be_are_refused
}

const PATH: &str = "/v1/entities/ACME/disclosures";
const FIGURES: &str = "debt surrendered current non_current interest maturities payments contractual_conversions \
                       induced_conversions cash_flows";

async fn disclosures(service: &Service, query: &str) -> Value {
    let report = service.read(&format!("{PATH}?{query}")).await;
    assert_fields(
        &report,
        "entity period_from as_of currency other_currencies known_at share_price payment_bands items total \
         events_of_period subsequent_events notices_not_settled prior_period_entries caution",
    );
    assert_fields(&report["total"], FIGURES);
    let items = array(&report["items"]);
    for item in items {
        let own = "bond_issue reference maturity_date coupon_rate effective_rate amortized_through remaining_years conversion \
                   fair_value classification";
        assert_fields(item, &format!("{own} {FIGURES}"));
    }
    sums_to(&report["total"], &items.iter().collect::<Vec<_>>(), "");
    // The notices are what is surrendered.
    for (figure_name, of_total) in [("principal", "principal"), ("carrying_amount", "carrying_amount")] {
        let told: Decimal =
            array(&report["notices_not_settled"]).iter().map(|notice| figure(&notice[figure_name])).sum();
        let surrendered = &report["total"]["surrendered"];
        let expected = if surrendered.is_null() { Decimal::ZERO } else { figure(&surrendered[of_total]) };
        assert_eq!(told, expected, "{figure_name} of {report}");
    }
    report
}

/// Asserts that every figure of a total is the sum of those of its items, at whatever depth.
fn sums_to(total: &Value, items: &[&Value], at: &str) {
    match total {
        Value::Object(fields) => fields.iter().for_each(|(name, total)| {
            let of_items: Vec<&Value> = items.iter().map(|item| &item[name]).collect();
            sums_to(total, &of_items, &format!("{at}/{name}"));
        }),
        Value::Array(parts) => parts.iter().enumerate().for_each(|(number, total)| {
            let of_items: Vec<&Value> = items.iter().map(|item| &item[number]).collect();
            sums_to(total, &of_items, &format!("{at}/{number}"));
        }),
        Value::String(text) => {
            let Ok(total) = text.parse::<Decimal>() else { return };
            let of = |item: &&Value| if item.is_null() { Decimal::ZERO } else { figure(item) };
            assert_eq!(total, items.iter().map(of).sum::<Decimal>(), "{at}");
        }
        _ => {}
    }
}

async fn accrued(service: &Service, through: &str) {
    service.post("/v1/entities/ACME/accruals", &json!({"through": through})).await.created();
}

/// What is posted is accrued to the day, so that balances by effective date are those of the journal.
async fn ties(service: &Service, from: &str, to: &str) -> Value {
    let told = disclosures(service, &format!("period_from={from}&as_of={to}")).await;
    let carrying = service.read(&format!("/v1/entities/ACME/carrying-values?as_of={to}&limit=500")).await;
    assert_eq!(told["total"]["debt"], carrying["total"]);
    for (item, carried) in array(&told["items"]).iter().zip(array(&carrying["items"])) {
        assert_eq!(item["bond_issue"], carried["bond_issue"]);
        for component in ["principal", "premium_discount", "issue_costs", "carrying_amount", "interest_payable"] {
            assert_eq!(item["debt"][component], carried[component], "{component} of {item}");
        }
        let parts = figure(&item["current"]["carrying_amount"]) + figure(&item["non_current"]["carrying_amount"]);
        assert_eq!(parts, figure(&carried["carrying_amount"]));
        let repaid: Decimal = array(&item["maturities"]).iter().map(|year| figure(&year["amount"])).sum();
        assert_eq!(repaid, figure(&item["debt"]["principal"]), "at par");
        let paid: Decimal = array(&item["payments"]).iter().map(|band| figure(&band["principal"])).sum();
        assert_eq!(paid, repaid);
    }
    let report = service.read(&format!("/v1/entities/ACME/rollforward?from={from}&to={to}")).await;
    let sum = |movements: &[&str], component: &str| -> Decimal {
        let is_of = |line: &&Value| movements.contains(&text(&line["movement"]));
        array(&report["total"]).iter().filter(is_of).map(|line| figure(&line[component])).sum()
    };
    let (total, interest) = (&told["total"], &told["total"]["interest"]);
    let accruals = ["amortization", "coupon_accrued", "prior_period_catch_up"];
    assert_eq!(figure(&interest["interest_expense"]), sum(&accruals, "expense"));
    assert_eq!(figure(&interest["contractual"]), sum(&["coupon_accrued"], "expense"));
    assert_eq!(figure(&interest["amortization_of_premium_discount"]), sum(&["amortization"], "premium_discount"));
    assert_eq!(figure(&interest["amortization_of_issue_costs"]), sum(&["amortization"], "issue_costs"));
    assert_eq!(figure(&interest["inducement_expense"]), sum(&["induced_conversion"], "expense"));
    for (block, movement) in [("contractual_conversions", "conversion"), ("induced_conversions", "induced_conversion")]
    {
        assert_eq!(-figure(&total[block]["principal"]), sum(&[movement], "principal"));
        assert_eq!(-figure(&total[block]["carrying_amount"]), sum(&[movement], "carrying_amount"));
        assert_eq!(figure(&total[block]["shares"]), sum(&[movement], "shares"));
    }
    // All cash of the period is in one of the lines.
    let flows = &total["cash_flows"];
    let paid = ["interest_paid", "paid_for_bonds", "cash_paid_at_conversions"].map(|line| figure(&flows[line]));
    let cash: Decimal = array(&report["total"]).iter().map(|line| figure(&line["cash"])).sum();
    assert_eq!(figure(&flows["proceeds"]) - paid.iter().sum::<Decimal>(), cash);
    assert_eq!(figure(&flows["gain_loss_on_extinguishment"]), sum(&["repurchase"], "gain_loss"));
    told
}

async fn figures_tie_to_carrying_values_and_rollforward(service: Service) {
    service.mapped_entity("ACME").await;
    let first = service.issue(json!({"proceeds": "960000.00", "issue_costs": "12000.00"})).await;
    let second = service.issue(json!({"reference": "CB-2", "proceeds": "1030000.00"})).await;
    service.issue(json!({"reference": "EUR", "currency": "EUR"})).await;
    service.record(&first, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let body = json!({"effective_date": "2025-08-20", "principal": "300000.00", "share_price": "61.00"});
    service.record(&first, "conversions", body).await;
    let offer = json!({"acceptance_date": "2025-09-01", "effective_date": "2025-09-10", "principal": "200000.00",
        "new_shares_per_denomination": "22", "acceptance_share_price": "60", "share_price": "60", "cash": "500.00",
        "criteria": all_met()});
    service.record(&second, "inducements", offer).await;
    let bought = json!({"effective_date": "2025-10-01", "principal": "100000.00", "price_percent": "97",
        "costs": "700.00"});
    service.record(&second, "repurchases", bought).await;
    accrued(&service, "2025-12-31").await;
    let told = ties(&service, "2025-01-01", "2025-12-31").await;
    assert_eq!(told["other_currencies"], json!(["EUR"]));
    assert_figures(&told["total"]["cash_flows"], json!({"extinguishment_costs_paid": "700.00"}));
    // 30,000.00 of the coupon, and with the bonds bought back 76 days of 6%: 10,133.33 on 800,000 less 8,866.67 on 700,000.
    assert_figures(&told["total"]["cash_flows"], json!({"interest_paid": "31266.66", "paid_for_bonds": "97700.00"}));
    let kinds: Vec<&str> = array(&told["events_of_period"]).iter().map(|event| text(&event["kind"])).collect();
    assert_eq!(kinds, ["issuance", "conversion", "issuance", "inducement", "repurchase"]);
    let expected = json!({"principal": "200000.00", "shares_issued": "4400", "inducement_expense": "24500.00"});
    assert_figures(&told["events_of_period"][3], expected);
    // A later quarter, with nothing but interest.
    accrued(&service, "2026-03-31").await;
    let later = ties(&service, "2026-01-01", "2026-03-31").await;
    assert_eq!(later["events_of_period"], json!([]));
    // Asked again of the past, nothing has changed.
    let known_at = text(&told["known_at"]);
    let again = disclosures(&service, &format!("period_from=2025-01-01&as_of=2025-12-31&known_at={known_at}")).await;
    assert_eq!(again, told);
}

async fn under_ifrs_they_tie_too(service: Service) {
    service.ifrs_entity("ACME").await;
    let issue = service.issue(json!({"straight_debt_rate": "0.08"})).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-08-20", "principal": "300000.00"})).await;
    accrued(&service, "2025-12-31").await;
    let told = ties(&service, "2025-01-01", "2025-12-31").await;
    assert!(figure(&told["total"]["debt"]["equity_component"]) > Decimal::ZERO);
}

/// Coupons of 30,000.00 on 15 January and 15 July until 2030; that of July 2025 was not paid.
async fn what_falls_due_is_told_by_year_and_by_band(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({"redemption_price": "105", "proceeds": "980000.00"})).await;
    let put = json!({"reference": "PUT", "put_dates": ["2027-01-15"]});
    service.issue(put).await;
    let told = disclosures(&service, "period_from=2025-01-01&as_of=2025-12-31").await;
    let [plain, puttable] = &array(&told["items"])[..] else { panic!("two issues: {told}") };
    let years: Vec<(Option<&str>, &str)> =
        array(&plain["maturities"]).iter().map(|year| (year["through"].as_str(), text(&year["amount"]))).collect();
    let nothing = |through| (Some(through), "0.00");
    let mut expected = ["2026-12-31", "2027-12-31", "2028-12-31", "2029-12-31"].map(nothing).to_vec();
    expected.extend([(Some("2030-12-31"), "1050000.00"), (None, "0.00")]);
    assert_eq!(years, expected);
    let bands = |item: &Value| -> Vec<[String; 2]> {
        let of = |band: &Value| ["interest", "principal"].map(|part| text(&band[part]).to_owned());
        array(&item["payments"]).iter().map(of).collect()
    };
    let rows = |rows: [[&str; 2]; 5]| rows.map(|row| row.map(str::to_owned)).to_vec();
    let expected =
        [["60000.00", "0.00"], ["0.00", "0.00"], ["30000.00", "0.00"], ["210000.00", "1050000.00"], ["0.00"; 2]];
    assert_eq!(bands(plain), rows(expected));
    let expected =
        [["60000.00", "0.00"], ["0.00", "0.00"], ["30000.00", "0.00"], ["30000.00", "1000000.00"], ["0.00"; 2]];
    assert_eq!(bands(puttable), rows(expected));
    let limits: Vec<Option<&str>> = array(&told["payment_bands"]).iter().map(|band| band["through"].as_str()).collect();
    assert_eq!(limits, [Some("2026-01-31"), Some("2026-03-31"), Some("2026-12-31"), Some("2030-12-31"), None]);
    assert_figures(plain, json!({"amortized_through": "2030-01-15", "remaining_years": "4.04"}));
}

async fn a_conversion_is_priced_at_the_share_price_given(service: Service) {
    service.mapped_entity("ACME").await;
    let table = json!({"share_prices": ["40", "60"], "rows": [
        {"effective_date": "2025-01-15", "additional_shares": ["5", "2"]},
        {"effective_date": "2026-01-15", "additional_shares": ["4", "1"]}], "most_shares_per_denomination": "24.5"});
    let conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "make_whole": table});
    let issue = service.issue(json!({"conversion": conversion})).await;
    service.issue(json!({"reference": "PLAIN", "conversion": null})).await;
    let query = "period_from=2025-01-01&as_of=2025-06-30";
    let silent = disclosures(&service, query).await;
    let expected = json!({"shares_per_denomination": "20", "conversion_price": "50", "shares_issuable": "20000",
        "shares_to_reserve": "24500", "if_converted_value": null, "excess_over_principal": null});
    assert_eq!(silent["items"][0]["conversion"], expected);
    assert_eq!((&silent["items"][1]["conversion"], &silent["items"][0]["fair_value"]), (&Value::Null, &Value::Null));
    for (price, worth, excess) in [("60.5", "1210000.00", "210000.00"), ("40", "800000.00", "0.00")] {
        let told =
            disclosures(&service, &format!("{query}&share_price={price}&fair_values={issue}:2:1025000.50")).await;
        let expected = json!({"if_converted_value": worth, "excess_over_principal": excess});
        assert_figures(&told["items"][0]["conversion"], expected);
        assert_eq!(told["items"][0]["fair_value"], json!({"level": 2, "amount": "1025000.50"}));
    }
    let split =
        json!({"effective_date": "2025-06-30", "reason": "split", "shares_before": "100", "shares_after": "200"});
    service.record(&issue, "rate-adjustments", split).await;
    let after = disclosures(&service, query).await;
    let expected = json!({"conversion_price": "25", "shares_issuable": "40000", "shares_to_reserve": "49000"});
    assert_figures(&after["items"][0]["conversion"], expected);
    let before = disclosures(&service, "period_from=2025-01-01&as_of=2025-06-29").await;
    assert_figures(&before["items"][0]["conversion"], json!({"conversion_price": "50"}));
    assert_eq!(before["subsequent_events"][0]["kind"], json!("rate_adjustment"));
}

async fn repayment_of_a_zero_coupon_issue_is_interest_in_part(service: Service) {
    service.mapped_entity("ACME").await;
    let zero = json!({"coupon_rate": "0", "coupon_frequency": 0, "proceeds": "800000.00", "issue_costs": "5000.00"});
    let issue = service.issue(zero).await;
    let redemption = json!({"kind": "maturity", "effective_date": "2030-01-15", "principal": "1000000.00"});
    service.record(&issue, "redemptions", redemption).await;
    let told = disclosures(&service, "period_from=2030-01-01&as_of=2030-03-31").await;
    let expected = json!({"paid_for_bonds": "1000000.00", "accreted_interest_repaid": "200000.00",
        "interest_paid": "0.00", "gain_loss_on_extinguishment": "0.00"});
    assert_figures(&told["total"]["cash_flows"], expected);
    assert_figures(&told["total"]["debt"], json!({"principal": "0.00", "carrying_amount": "0.00"}));
}

async fn bonds_surrendered_and_later_events_are_told(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00"})).await;
    let body = json!({"conversion_date": "2025-06-20", "principal": "400000.00"});
    let surrendered = service.record(&issue, "conversions", body).await;
    let settled = json!({"effective_date": "2025-07-10", "surrender": surrendered["event"]["id"]});
    let settled = service.record(&issue, "conversions", settled).await;
    let told = disclosures(&service, "period_from=2025-04-01&as_of=2025-06-30").await;
    let item = &told["items"][0];
    assert_figures(&item["surrendered"], json!({"principal": "400000.00"}));
    assert_eq!(item["surrendered"]["carrying_amount"], surrendered["surrender"]["carrying_amount"]);
    assert_figures(&item["debt"], json!({"principal": "1000000.00"}));
    let repaid: Decimal = array(&item["maturities"]).iter().map(|year| figure(&year["amount"])).sum();
    assert_eq!(repaid, Decimal::from(600_000), "what is surrendered is not repaid");
    let expected = json!({"shares_issuable": "12000", "shares_to_reserve": "20000"});
    assert_figures(&item["conversion"], expected);
    let later = array(&told["subsequent_events"]);
    assert_eq!(later.len(), 1, "{told}");
    let expected = json!({"kind": "conversion", "effective_date": "2025-07-10", "principal": "400000.00",
        "shares_issued": "8000", "event": settled["event"]["id"]});
    assert_figures(&later[0], expected);
    let batch = array(&settled["journal_batches"]).last().expect("a batch");
    service
        .post(&format!("/v1/journal-batches/{}/reversal", text(&batch["id"])), &json!({"reason": "Error"}))
        .await
        .created();
    let told = disclosures(&service, "period_from=2025-04-01&as_of=2025-06-30").await;
    let kinds: Vec<&str> = array(&told["subsequent_events"]).iter().map(|event| text(&event["kind"])).collect();
    assert!(!kinds.contains(&"conversion"), "{kinds:?}");
}

/// Of 400,000, 200,000, 100,000 and 50,000 that were surrendered in June the first is settled in July, the second by its own event in July, the
/// third on 25 June, and the last not at all.
async fn notices_that_are_not_settled_are_told_one_by_one(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "issue_costs": "12000.00"})).await;
    let mut events = Vec::new();
    for (date, principal) in [("2025-06-02", "400000.00"), ("2025-06-10", "100000.00"), ("2025-06-20", "50000.00")] {
        let body = json!({"conversion_date": date, "principal": principal});
        events.push(service.record(&issue, "conversions", body).await);
    }
    let both = json!({"conversion_date": "2025-06-23", "effective_date": "2025-07-07", "principal": "200000.00"});
    let both = service.record(&issue, "conversions", both).await;
    let settle = |event: &Value, date: &str| json!({"surrender": event["event"]["id"], "effective_date": date});
    service.record(&issue, "conversions", settle(&events[1], "2025-06-25")).await;
    let before = disclosures(&service, "period_from=2025-04-01&as_of=2025-06-30").await;
    let settled = service.record(&issue, "conversions", settle(&events[0], "2025-07-10")).await;
    let told = disclosures(&service, "period_from=2025-06-24&as_of=2025-06-30").await;
    let notice = |event: &Value, settled_on: Value| {
        json!({"event": event["event"]["id"], "bond_issue": issue, "reference": "CB-1",
            "conversion_date": event["surrender"]["conversion_date"], "principal": event["surrender"]["principal"],
            "carrying_amount": event["surrender"]["carrying_amount"], "settled_on": settled_on})
    };
    let expected =
        [notice(&events[0], json!("2025-07-10")), notice(&events[2], Value::Null), notice(&both, json!("2025-07-07"))];
    assert_eq!(told["notices_not_settled"], json!(expected));
    assert_figures(&told["total"]["surrendered"], json!({"principal": "650000.00"}));
    // What was known before the settlement was recorded, and what is open on other days.
    assert_eq!(before["notices_not_settled"][0]["settled_on"], Value::Null);
    let known_at = text(&before["known_at"]);
    let again = disclosures(&service, &format!("period_from=2025-04-01&as_of=2025-06-30&known_at={known_at}")).await;
    assert_eq!(again, before);
    for (as_of, principals) in [
        ("2025-06-01", vec![]),
        ("2025-06-24", vec!["400000.00", "100000.00", "50000.00", "200000.00"]),
        ("2025-07-07", vec!["400000.00", "50000.00"]),
        ("2025-07-10", vec!["50000.00"]),
    ] {
        let told = disclosures(&service, &format!("period_from=2025-01-01&as_of={as_of}")).await;
        let found: Vec<&str> =
            array(&told["notices_not_settled"]).iter().map(|notice| text(&notice["principal"])).collect();
        assert_eq!(found, principals, "{as_of}");
    }
    // A settlement that is taken back leaves its notice open.
    let batch = array(&settled["journal_batches"]).last().expect("a batch");
    let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    service.post(&path, &json!({"reason": "Error"})).await.created();
    let told = disclosures(&service, "period_from=2025-07-01&as_of=2025-07-31").await;
    let found: Vec<&Value> = array(&told["notices_not_settled"]).iter().map(|notice| &notice["event"]).collect();
    assert_eq!(found, [&events[0]["event"]["id"], &events[2]["event"]["id"]]);
}

/// January is closed when a conversion of 20 January is recorded: the conversion, and what is taken back of the eleven days of interest after
/// it, are posted on 1 February.
async fn entries_effective_before_the_period_are_told(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "issue_costs": "12000.00"})).await;
    service.issue(json!({"reference": "CB-2"})).await;
    super::periods::closed(&service, "2025-01").await;
    let late = json!({"effective_date": "2025-01-20", "principal": "300000.00"});
    let late = service.record(&issue, "conversions", late).await;
    accrued(&service, "2025-03-31").await;
    let told = disclosures(&service, "period_from=2025-02-01&as_of=2025-02-28").await;
    let entries = array(&told["prior_period_entries"]);
    let kinds: Vec<&str> = entries.iter().map(|entry| text(&entry["kind"])).collect();
    assert!(kinds.contains(&"conversion") && kinds.contains(&"catch_up"), "{kinds:?}");
    for entry in entries {
        assert_fields(
            entry,
            "event kind bond_issue reference effective_date posting_date batch amounts expense gain_loss paid_in_capital cash",
        );
        assert_figures(
            entry,
            json!({"event": late["event"]["id"], "bond_issue": issue, "reference": "CB-1",
            "posting_date": "2025-02-01", "batch": late["journal_batches"][0]["number"]}),
        );
        assert!(text(&entry["effective_date"]) < "2025-02-01", "{entry}");
    }
    let of = |kind: &str| entries.iter().find(|entry| entry["kind"] == json!(kind)).expect("an entry");
    assert_figures(of("conversion"), json!({"effective_date": "2025-01-20", "cash": "0.00", "gain_loss": "0.00"}));
    assert_eq!(of("conversion")["amounts"]["principal"], json!("-300000.00"));
    // They are what the rollforward has of them.
    let report = service.read("/v1/entities/ACME/rollforward?from=2025-02-01&to=2025-02-28").await;
    let sum = |entries: &[&Value], figure_name: &str| -> Decimal {
        entries.iter().map(|entry| figure(&entry[figure_name])).sum()
    };
    let catch_up: Vec<&Value> = entries.iter().filter(|entry| entry["kind"] == json!("catch_up")).collect();
    let line = array(&report["total"]).iter().find(|line| line["movement"] == "prior_period_catch_up").expect("a line");
    assert_eq!(sum(&catch_up, "expense"), figure(&line["expense"]));
    assert!(figure(&line["expense"]) < Decimal::ZERO, "{line}");
    let amounts: Vec<&Value> = catch_up.iter().map(|entry| &entry["amounts"]).collect();
    for component in ["premium_discount", "issue_costs", "interest_payable"] {
        assert_eq!(sum(&amounts, component), figure(&line[component]), "{component}");
    }
    for (query, why) in [
        ("period_from=2025-01-01&as_of=2025-02-28", "the period has both days"),
        ("period_from=2025-03-01&as_of=2025-03-31", "it was posted before"),
        ("period_from=2025-01-01&as_of=2025-01-31", "it was posted after"),
    ] {
        assert_eq!(disclosures(&service, query).await["prior_period_entries"], json!([]), "{why}");
    }
    let euro = disclosures(&service, "period_from=2025-02-01&as_of=2025-02-28&currency=EUR").await;
    assert_eq!(euro["prior_period_entries"], json!([]));
}

async fn every_figure_is_a_row_of_the_csv(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "960000.00", "reference": "=CB-1"})).await;
    let body = json!({"conversion_date": "2025-06-20", "principal": "400000.00"});
    service.record(&issue, "conversions", body).await;
    let query = format!("period_from=2025-01-01&as_of=2025-06-30&share_price=60&fair_values={issue}:2:900000.00");
    let told = disclosures(&service, &query).await;
    let (header, rows) = super::csv::table(&service.get(&format!("{PATH}?{query}&format=csv")).await);
    assert_eq!(
        header,
        ["section", "period_from", "as_of", "currency", "bond_issue", "reference", "event", "figure", "value"]
    );
    let value = |section: &str, figure: &str| {
        let found: Vec<&Vec<String>> = rows.iter().filter(|row| row[0] == section && row[7] == figure).collect();
        assert_eq!(found.len(), 1, "{section} {figure}");
        found[0].clone()
    };
    let item = &told["items"][0];
    for (figure, expected) in [
        ("debt.carrying_amount", &item["debt"]["carrying_amount"]),
        ("debt.premium_discount", &item["debt"]["premium_discount"]),
        ("surrendered.principal", &item["surrendered"]["principal"]),
        ("maturities.2030-06-30.amount", &item["maturities"][4]["amount"]),
        ("maturities.thereafter.amount", &item["maturities"][5]["amount"]),
        ("conversion.if_converted_value", &item["conversion"]["if_converted_value"]),
        ("fair_value.amount", &item["fair_value"]["amount"]),
        ("cash_flows.proceeds", &item["cash_flows"]["proceeds"]),
        ("effective_rate.nominal_annual", &item["effective_rate"]["nominal_annual"]),
    ] {
        let row = value("items", figure);
        assert_eq!(row[8], text(expected), "{figure}");
        assert_eq!((&row[4], &row[5]), (&issue, &"'=CB-1".to_owned()));
    }
    let band = text(&told["payment_bands"][0]["band"]);
    let row = value("total", &format!("payments.{band}.interest"));
    assert_eq!((row[8].as_str(), row[4].as_str()), (text(&told["total"]["payments"][0]["interest"]), ""));
    let notice = value("notices_not_settled", "principal");
    assert_eq!((notice[8].as_str(), notice[6].as_str()), ("400000.00", text(&told["notices_not_settled"][0]["event"])));
    // Nothing of the document is left out: as many rows as it has figures.
    fn count(value: &Value, is_row: bool) -> usize {
        match value {
            Value::Null => 0,
            Value::Object(fields) => {
                let is_column = |name: &str| is_row && ["bond_issue", "reference", "event"].contains(&name);
                fields.iter().filter(|(name, _)| !is_column(name)).map(|(_, value)| count(value, false)).sum()
            }
            Value::Array(parts) => parts.iter().map(|part| count(part, false)).sum(),
            _ => 1,
        }
    }
    let sections = told.as_object().expect("a document").values();
    let figures: usize = sections
        .map(|section| match section {
            Value::Array(rows) => rows.iter().map(|row| count(row, true)).sum(),
            Value::Object(_) => count(section, true),
            _ => 0,
        })
        .sum();
    assert_eq!(rows.len(), figures);
}

async fn what_was_reclassified_is_told_with_its_facts(service: Service) {
    service.mapped_entity("ACME").await;
    let conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "combination"});
    let issue = service.issue(json!({"proceeds": "960000.00", "conversion": conversion})).await;
    accrued(&service, "2025-06-30").await;
    let query = "period_from=2025-04-01&as_of=2025-06-30";
    let open = disclosures(&service, query).await;
    let expected = json!({"by_terms": "not_determined", "as_reclassified": false});
    assert_eq!(open["items"][0]["classification"], expected);
    assert_eq!((&open["total"]["current"], &open["items"][0]["non_current"]), (&Value::Null, &Value::Null));
    let fact = json!({"balance_sheet_date": "2025-06-30", "sale_price_condition": {"met": true}});
    service.record(&issue, "reclassifications", fact).await;
    let told = disclosures(&service, query).await;
    assert_eq!(told["items"][0]["classification"]["as_reclassified"], json!(true));
    assert_eq!(told["total"]["current"]["carrying_amount"], told["total"]["debt"]["carrying_amount"]);
}

async fn disclosures_that_cannot_be_are_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"currency": "EUR"})).await;
    let period = "period_from=2025-01-01&as_of=2025-12-31";
    for (query, says) in [
        ("as_of=2025-12-31", "\"period_from\" is required"),
        ("period_from=2026-01-01&as_of=2025-12-31", "before period_from"),
        (&format!("{period}&share_price=-1"), "not above 0"),
        (&format!("{period}&fair_values=x"), "expected bond issue:level:amount"),
        (&format!("{period}&fair_values=x:4:1.00"), "level is 1, 2 or 3"),
        (&format!("{period}&fair_values=x:1:-1.00"), "not negative"),
        (&format!("{period}&known_at=2999-01-01T00:00:00Z"), "in the future"),
    ] {
        let problem = service.get(&format!("{PATH}?{query}")).await.problem(400, "malformed_query");
        assert!(text(&problem["detail"]).contains(says), "{problem}");
    }
    let elsewhere = service.get(&format!("{PATH}?{period}&fair_values={issue}:1:1.00")).await.problem(404, "not_found");
    assert!(text(&elsewhere["detail"]).contains("in USD"), "{elsewhere}");
    let euro = format!("{PATH}?{period}&currency=EUR&fair_values={issue}:1:1.001");
    service.get(&euro).await.refused_at("too_many_decimals", "/fair_values");
    service.get(&format!("/v1/entities/NONE/disclosures?{period}")).await.problem(404, "not_found");
}
