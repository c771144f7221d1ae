//! The calendar of an entity as iCalendar (RFC 5545): each date an all-day event.

use icalendar::{Calendar, Component, Event, Property};
use jiff::civil::Date;

use crate::reading::{CalendarDocument, CalendarEntry};

/// The calendar as a file. Its events have the same `UID` (RFC 7986 section 5.3) whenever they are asked for, so that a calendar that is
/// subscribed to replaces them; `DTSTAMP` is the time at which they were known.
///
/// # Errors
/// When a date or a time of the document is none.
pub fn calendar(document: &CalendarDocument) -> Result<String, jiff::Error> {
    let known_at: jiff::Timestamp = document.known_at.parse()?;
    let stamp = known_at.strftime("%Y%m%dT%H%M%SZ").to_string();
    let mut calendar = Calendar::empty();
    calendar.append_property(("VERSION", "2.0")).append_property(("PRODID", "-//parwright//calendar//EN"));
    calendar.append_property(("CALSCALE", "GREGORIAN"));
    for entry in &document.items {
        calendar.push(event(entry, document, &stamp)?);
    }
    Ok(calendar.to_string())
}

fn event(entry: &CalendarEntry, document: &CalendarDocument, stamp: &str) -> Result<Event, jiff::Error> {
    let date: Date = entry.date.parse()?;
    let currency = &document.currency;
    let what = match entry.occasion.as_str() {
        "record_date" => "Record date",
        "coupon_date" => "Coupon",
        "put_date" => "Put",
        _ => "Maturity",
    };
    let (reference, amount) = (&entry.reference, &entry.amount);
    let for_coupon = entry.coupon_date.as_ref().map(|date| format!(" for the coupon of {date}")).unwrap_or_default();
    let description = format!(
        "{what}{for_coupon}: {currency} {amount} on {currency} {} outstanding as far as it is recorded. {}",
        entry.principal, document.caution
    );
    let mut event = Event::new();
    event
        .uid(&format!("{}-{}@{}", entry.occasion, entry.date, entry.bond_issue))
        .add_property("DTSTAMP", stamp)
        .summary(&format!("{what}: {reference}, {currency} {amount}"))
        .description(&description)
        .add_property("CATEGORIES", what)
        .add_property("TRANSP", "TRANSPARENT");
    let day = date.strftime("%Y%m%d").to_string();
    event.append_property(Property::new("DTSTART", day).add_parameter("VALUE", "DATE").done());
    Ok(event.done())
}
