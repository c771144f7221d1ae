//! The row of an issue's inputs: its terms, the search for its rates, and the inputs as they were recorded.

use rust_decimal::Decimal;

use super::columns::{Input, Sched};
use super::rate::{self, Search};
use super::schedule::Schedule;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Look, Row};
use crate::reading::IssueBooks;

/// The row `at` of an issue, of whose entries so many have stated figures.
pub(super) fn row(books: &IssueBooks, schedule: &Schedule<'_>, at: u32, stated: u32) -> Result<Row, Refusal> {
    let (instrument, document) = (&*books.instrument, &books.document);
    let (terms, start) = (instrument.terms(), instrument.start());
    let mut row = Row::default();
    row.text(Input::Reference, books.reference.clone());
    row.text(Input::Id, books.id.clone());
    row.text(Input::Basis, schedule.stated.map_or_else(|| "computed".to_owned(), |why| format!("stated: {why}")));
    let is_live = schedule.stated.is_none();
    // A split between debt and equity, or a premium in capital, is not computed here.
    let is_split = terms.is_compound() || !terms.premium_in_capital()?.is_zero();
    let look = |may_change: bool| if may_change && is_live { Look::Input } else { Look::Usual };
    for (column, amount) in [
        (Input::Principal, start.principal),
        (Input::Issued, terms.principal),
        (Input::Denomination, terms.denomination),
        (Input::RecordedProceeds, start.clean),
        (Input::RecordedCosts, start.issue_costs),
    ] {
        row.value(column, Held::Amount(amount));
    }
    row.looking(Input::Proceeds, Held::Amount(start.clean), look(!is_split));
    row.looking(Input::Costs, Held::Amount(start.issue_costs), look(!is_split && schedule.has_costs()));
    let changes_coupon = !terms.is_zero_coupon() && !terms.is_compound();
    row.looking(Input::CouponRate, Held::Number(terms.coupon_rate), look(changes_coupon));
    row.looking(Input::Redemption, Held::Number(terms.redemption_price), look(!is_split));
    row.value(Input::RecordedCouponRate, Held::Number(terms.coupon_rate));
    row.value(Input::RecordedRedemption, Held::Number(terms.redemption_price));
    if let Some(rate) = terms.stated_effective_rate {
        row.looking(Input::StatedRate, Held::Number(rate), look(true));
        row.value(Input::RecordedStatedRate, Held::Number(rate));
    }
    if let Some(received) = terms.accrued_interest_received {
        row.value(Input::Received, Held::Amount(received));
    }
    row.value(Input::CouponFrequency, Held::Number(terms.coupon_frequency.into()));
    row.value(Input::PeriodsPerYear, Held::Number(terms.periods_per_year().into()));
    for (column, date) in [
        (Input::Dated, Some(terms.dated_date)),
        (Input::Settlement, Some(terms.settlement_date)),
        (Input::FirstCoupon, terms.first_coupon_date),
        (Input::Maturity, Some(terms.maturity_date)),
        (Input::AmortizationEnd, terms.amortization_end),
        (Input::Start, Some(start.moment.boundary)),
    ] {
        if let Some(date) = date {
            row.value(column, Held::Date(date));
        }
    }
    let names = serde_json::to_value(document).unwrap_or_default();
    let name = |field: &str| names.get(field).and_then(|name| name.as_str()).unwrap_or_default().to_owned();
    for (column, field) in [
        (Input::DayCount, "day_count"),
        (Input::Method, "amortization_method"),
        (Input::Within, "within_period"),
        (Input::Cutoff, "accrual_cutoff"),
    ] {
        row.text(column, name(field));
    }
    if let Some(conversion) = &terms.conversion {
        let treatment = names.pointer("/conversion/accrued_interest").and_then(|name| name.as_str());
        row.text(Input::OnConversion, treatment.unwrap_or_default().to_owned());
        row.value(Input::Shares, Held::Number(conversion.shares_per_denomination));
        if let crate::accounting::instrument::ShareCapital::ParValue(par) = conversion.share_capital {
            row.value(Input::Par, Held::Number(par));
        }
    }
    if is_live {
        rates(&mut row, schedule, at)?;
        let pairs = [
            (Input::CouponRate, Input::RecordedCouponRate),
            (Input::Proceeds, Input::RecordedProceeds),
            (Input::Costs, Input::RecordedCosts),
            (Input::Redemption, Input::RecordedRedemption),
            (Input::StatedRate, Input::RecordedStatedRate),
        ];
        let differ: Vec<String> = pairs.iter().map(|(now, then)| format!("{}<>{}", now.at(at), then.at(at))).collect();
        let formula = format!("IF(OR({}),1,0)", differ.join(","));
        row.live(Input::Changed, formula, Held::Number(Decimal::ZERO));
    } else {
        let nominal = Held::Number(instrument.nominal_annual_rate());
        row.looking(Input::Nominal, nominal, Look::Rate);
    }
    row.value(Input::Stated, Held::Number(stated.into()));
    Ok(row)
}

/// What is carried at the start for one unit, and the rates at which that grows to what is repaid.
fn rates(row: &mut Row, schedule: &Schedule<'_>, at: u32) -> Result<(), Refusal> {
    let instrument = schedule.instrument;
    let (terms, start, solved) = (instrument.terms(), instrument.start(), instrument.rates());
    let [principal, proceeds, costs, redemption] =
        [Input::Principal, Input::Proceeds, Input::Costs, Input::Redemption].map(|column| column.at(at));
    let price = |amount: Amount| Decimal::from(amount.minor()) / Decimal::from(start.principal.minor());
    let (gross_price, net_price) = (price(start.clean), price(start.clean.minus(start.issue_costs)?));
    row.live_looking(Input::GrossPrice, format!("{proceeds}/{principal}"), Held::Number(gross_price), Look::Rate);
    let formula = format!("({proceeds}-{costs})/{principal}");
    row.live_looking(Input::NetPrice, formula, Held::Number(net_price), Look::Rate);
    let (gross_end, costs_end) = instrument.horizons();
    let horizon = match schedule.has_two_ends() {
        // A discount runs to the put, a premium to maturity.
        true => format!(
            "IF(ROUND({proceeds}-{principal}*{redemption},6)<0,{},{})",
            Input::AmortizationEnd.at(at),
            Input::Maturity.at(at)
        ),
        false => Input::Maturity.at(at),
    };
    row.live(Input::Horizon, horizon, Held::Date(gross_end));
    let of_stated = format!("{}/{}", Input::StatedRate.at(at), Input::PeriodsPerYear.at(at));
    let last = schedule.last_period_row();
    let gross_flows = schedule.flows(gross_end);
    let costs_flows: Vec<_> = schedule.flows(costs_end);
    let costs_last = schedule.costs_end_row();
    let count = usize::try_from(costs_last - schedule.first).unwrap_or_default();
    let costs_flows = costs_flows.get(..count).unwrap_or(&costs_flows);
    let costs_flow = if schedule.has_two_ends() { Sched::CostsFlow } else { Sched::Flow };
    let search = |steps, price, paid, flow, flows, last, rate| Search {
        steps,
        input: at,
        price,
        start: schedule.first,
        rows: (schedule.first + 1, last),
        flow,
        flows,
        paid,
        accrued: schedule.accrued_at_start(),
        coupon: terms.coupon_rate / Decimal::from(terms.periods_per_year()),
        redemption: terms.redemption_price,
        rate,
    };
    if schedule.is_gross_stated() {
        row.live_looking(Input::Gross, of_stated.clone(), Held::Number(solved.gross), Look::Rate);
    } else {
        search(rate::GROSS, Input::GrossPrice, gross_price, Sched::Flow, &gross_flows, last, solved.gross).write(row);
    }
    match (schedule.has_costs(), terms.stated_effective_rate.is_some()) {
        (false, _) => {
            row.live_looking(Input::Net, Input::Gross.at(at), Held::Number(solved.net), Look::Rate);
        }
        (true, true) => row.live_looking(Input::Net, of_stated, Held::Number(solved.net), Look::Rate),
        (true, false) => {
            search(rate::NET, Input::NetPrice, net_price, costs_flow, costs_flows, costs_last, solved.net).write(row);
        }
    }
    if schedule.has_costs() && schedule.has_two_ends() {
        let rate = solved.gross_same_horizon;
        search(rate::SAME, Input::GrossPrice, gross_price, costs_flow, costs_flows, costs_last, rate).write(row);
    }
    let formula = format!("{}*{}", Input::Net.at(at), Input::PeriodsPerYear.at(at));
    row.live_looking(Input::Nominal, formula, Held::Number(instrument.nominal_annual_rate()), Look::Rate);
    Ok(())
}
