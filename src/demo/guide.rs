//! What the demonstration prints below its address.

use super::portfolio::Portfolio;

const GUIDE: &str = include_str!("guide.txt");

/// The guide with the addresses and ids of this run.
pub fn text(base: &str, portfolio: &Portfolio) -> String {
    let date = |close: Option<&jiff::civil::Date>| close.map(ToString::to_string).unwrap_or_default();
    let references: Vec<&str> = portfolio.issues.keys().map(String::as_str).collect();
    let text = GUIDE
        .replace("{base}", base)
        .replace("{entity}", &portfolio.entity)
        .replace("{name}", &portfolio.name)
        .replace("{issues}", &references.join(", "))
        .replace("{first}", &date(portfolio.closes.first()))
        .replace("{closed}", &portfolio.closed_through)
        .replace("{last}", &date(portfolio.closes.last()));
    portfolio.issues.iter().fold(text, |text, (reference, id)| text.replace(&format!("{{{reference}}}"), id))
}
