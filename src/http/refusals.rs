//! Refusals of the core and failures of posting and reading, as problems.

use axum::http::StatusCode;

use super::problem::{self, FieldError, Kind, Problem};
use crate::accounting::Refusal;
use crate::delivery::Inadmissible;
use crate::posting::{NotClosed, RecordError, RefusedRow};
use crate::store::StoreError;

macro_rules! refusals {
    ($($code:literal $status:ident $title:literal, $meaning:literal;)*) => {
        /// The kinds of problem that rules of the core and of posting bring, beside those of the edge.
        pub const KINDS: &[Kind] =
            &[$(Kind { code: $code, status: StatusCode::$status, title: $title, meaning: $meaning }),*];
    };
}

refusals! {
    "overflow" UNPROCESSABLE_ENTITY "A figure is too large",
        "Amounts may have up to 10^15 minor units; what is computed from them is kept exactly or refused.";
    "too_many_decimals" UNPROCESSABLE_ENTITY "An amount has more decimals than its currency",
        "Amounts are whole numbers of the currency's minor unit (ISO 4217).";
    "principal_not_multiple_of_denomination" UNPROCESSABLE_ENTITY "Principal is no multiple of the denomination",
        "Bonds are issued, converted and repaid in whole denominations.";
    "no_rate_explains_proceeds" UNPROCESSABLE_ENTITY "No effective rate explains the proceeds",
        "Proceeds, issue costs, coupons and dates contradict each other: no rate in reason makes them equal.";
    "stated_rate_differs" UNPROCESSABLE_ENTITY "The stated effective rate does not fit the proceeds",
        "A stated rate may leave at most 2% of discount, premium and costs to the last period, unless the solved rate rounds to it.";
    "not_a_coupon_date" UNPROCESSABLE_ENTITY "The date is no coupon date",
        "Coupon dates run back from maturity; the detail names the nearest one.";
    "before_settlement" UNPROCESSABLE_ENTITY "The date is before settlement",
        "Nothing was outstanding before the issue settled.";
    "before_opening_balance" UNPROCESSABLE_ENTITY "The date is not after the opening balance",
        "What happened until then is part of the balance that was taken over.";
    "after_maturity" UNPROCESSABLE_ENTITY "The date is after maturity",
        "The issue had ended by then.";
    "no_conversion_terms" UNPROCESSABLE_ENTITY "The issue cannot be converted",
        "Only an issue recorded with conversion terms can be converted.";
    "share_price_required" UNPROCESSABLE_ENTITY "A fraction of a share needs a share price",
        "A fraction is paid in cash at the share price unless the terms drop it.";
    "not_supported" UNPROCESSABLE_ENTITY "This is not accounted for yet",
        "The request is understood, and this version has no rule for it.";
    "not_reversible" UNPROCESSABLE_ENTITY "This cannot be reversed",
        "Accruals are never taken back, and a reversal is not reversed: what it took back is recorded again.";
    "rows_refused" UNPROCESSABLE_ENTITY "Rows of the list cannot be recorded",
        "Nothing of the list is recorded; `errors` points to every row that is refused and says why, given that the rows before it stand.";
    "rows_in_conflict" CONFLICT "Rows of the list cannot be recorded now",
        "The same, where every row is right in itself.";
    "exceeds_outstanding" CONFLICT "More than is outstanding",
        "The principal is more than what is outstanding on that date.";
    "later_event_in_the_way" CONFLICT "A later event stands in the way",
        "An event that is recorded already would no longer be possible, or rests on what would change.";
    "already_reversed" CONFLICT "It is reversed already",
        "An event is reversed once; record it again to have it back.";
    "coupon_already_paid" CONFLICT "The coupon is paid already",
        "Each coupon is paid once.";
    "nothing_due" CONFLICT "Nothing is due",
        "No principal was outstanding before that coupon date.";
    "nothing_outstanding" CONFLICT "Nothing is outstanding",
        "All bonds have converted or were repaid by the date.";
    "acceptance_already_settled" CONFLICT "The acceptance is settled already",
        "An accepted offer is settled once.";
    "already_reclassified" CONFLICT "The current portion is recorded already",
        "An issue has one reclassification a balance-sheet date; reverse it to record another.";
    "surrender_already_settled" CONFLICT "The surrender is settled already",
        "Bonds that are surrendered for conversion are settled once.";
    "reference_in_use" CONFLICT "The reference is in use",
        "A reference names one thing of its kind in an entity; the figures name it.";
    "not_released" CONFLICT "The batch is not released",
        "The ledger cannot have it yet: a role of it has no account, or what it reverses is not with the ledger.";
    "not_the_newest_revision" CONFLICT "There is a newer revision",
        "The ledger answers the newest revision of a batch; the figures name it.";
    "acknowledged_differently" CONFLICT "The release was answered otherwise before",
        "A release is acknowledged or rejected once; the figures have what is stored.";
    "totals_mismatch" CONFLICT "The ledger's totals differ",
        "What the ledger counted is not what was released; the batch stays open.";
    "not_rejected" CONFLICT "The batch was not rejected",
        "Only a batch whose newest revision the ledger rejected is released again.";
    "not_in_encoding" CONFLICT "The encoding of the layout lacks a character",
        "A text holds a character that ISO 8859-1 does not have; change the text, or state a replacement or UTF-8 in the layout.";
    "entity_exists" CONFLICT "The entity exists already",
        "Entity codes are given once and never change.";
    "period_not_ready" CONFLICT "Something stands in the way of closing the period",
        "Every role has an account, everything ties, and what is expected by the last day is recorded or waived; the errors name each thing.";
    "period_closed" CONFLICT "The period is closed already",
        "It was closed with other waivers or closing entries, or together with a later period.";
    "period_not_next" CONFLICT "An earlier period comes first",
        "Periods are closed in order; the detail names the next one.";
    "period_open" CONFLICT "The period is open",
        "A report as a period was closed is there as long as it is closed.";
    "period_not_last_closed" CONFLICT "The period is not the last closed one",
        "Only the last closed period is opened again, so that periods are closed without gap.";
    "destination_exists" CONFLICT "The destination exists already",
        "A name stands for one destination of an entity for good, and its address never changes; make another one.";
    "destination_closed" CONFLICT "The destination is closed",
        "Nothing more is delivered to it; make another one that begins after its last release.";
    "no_signing_key" CONFLICT "The service has no key to sign deliveries with",
        "Deliveries are signed: start the service with --signing-key.";
}

/// The kind of a code among [`KINDS`].
pub(super) fn kind(code: &str) -> Kind {
    KINDS.iter().copied().find(|kind| kind.code == code).unwrap_or(problem::INVALID_FIELD)
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Problem {
        let kind = kind(refusal.code());
        let problem = Problem::new(kind, refusal.to_string());
        // A body that can never be right says where; one that is only not right now has nothing to mend.
        if kind.status != StatusCode::UNPROCESSABLE_ENTITY {
            return problem;
        }
        problem.at(refusal.pointer())
    }
}

impl From<Inadmissible> for Problem {
    fn from(refused: Inadmissible) -> Problem {
        match refused {
            Inadmissible::NoKey => Problem::new(kind("no_signing_key"), refused.to_string()),
            _ => Problem::invalid_field("/url", refused.to_string()),
        }
    }
}

/// What can be waived points to where its waiver would stand.
fn not_closed(why: &NotClosed) -> Problem {
    let problem = Problem::new(kind(why.code()), why.to_string());
    let NotClosed::NotReady { in_the_way, .. } = why else { return problem };
    let errors = in_the_way.iter().map(|item| {
        let pointer = if item.expected.is_some() { "/waivers/-" } else { "" };
        FieldError { code: Some(item.code), ..FieldError::new(pointer, item.detail.as_str()) }
    });
    let listed = serde_json::to_value(in_the_way).unwrap_or_default();
    problem.with_errors(errors.collect()).with_figure("in_the_way", listed)
}

impl From<RecordError> for Problem {
    fn from(error: RecordError) -> Problem {
        match error {
            RecordError::Refused(refusal) => refusal.into(),
            RecordError::NotAcknowledged(why) => {
                let problem = Problem::new(kind(why.code()), why.to_string());
                why.figures().into_iter().fold(problem, |problem, (name, value)| problem.with_figure(name, value))
            }
            RecordError::RowsRefused { rows, of } => rows_refused(rows, of),
            RecordError::LinesRefused(rows) => lines_refused(rows),
            RecordError::NotClosed(why) => not_closed(&why),
            RecordError::WrongWaiver(wrong) => {
                let field = if wrong.field.is_empty() { String::new() } else { format!("/{}", wrong.field) };
                Problem::invalid_field(format!("/waivers/{}{field}", wrong.at), wrong.detail)
            }
            RecordError::NotFound(what) => Problem::not_found(what),
            RecordError::ReferenceInUse { ref id, .. } => {
                let id = id.clone();
                Problem::new(kind("reference_in_use"), error.to_string()).with_figure("id", id)
            }
            RecordError::EntityExists(_) => Problem::new(kind("entity_exists"), error.to_string()),
            RecordError::DestinationExists(_) => Problem::new(kind("destination_exists"), error.to_string()),
            RecordError::DestinationClosed(_) => Problem::new(kind("destination_closed"), error.to_string()),
            RecordError::KeyReused => Problem::new(problem::IDEMPOTENCY_KEY_REUSED, error.to_string()),
            RecordError::PreviewDiffers => Problem::new(problem::PREVIEW_DIFFERS, error.to_string()),
            RecordError::PreconditionFailed => Problem::new(problem::PRECONDITION_FAILED, error.to_string()),
            RecordError::Busy(None) => Problem::unavailable("the task that answers has stopped").retry_after(1),
            RecordError::Busy(Some(error)) => Problem::unavailable(error).retry_after(1),
            RecordError::Store(StoreError::Unavailable(cause)) => Problem::unavailable(cause).retry_after(1),
            error @ RecordError::TooLong { .. } => Problem::new(problem::NOT_ACCEPTABLE, error.to_string()),
            RecordError::Store(error) => Problem::internal(error),
            error @ RecordError::Corrupt { .. } => Problem::internal(error),
        }
    }
}

/// The mistakes of rows that were refused, each put in its place, with the kind of their problem.
fn refused(
    rows: Vec<RefusedRow>,
    place: impl Fn(&FieldError, usize, &'static str) -> FieldError,
) -> (Kind, Vec<FieldError>) {
    let (mut errors, mut never_right) = (Vec::with_capacity(rows.len()), false);
    for RefusedRow { at, why } in rows {
        let problem = of_row(why);
        never_right |= problem.status() == StatusCode::UNPROCESSABLE_ENTITY;
        errors.extend(problem.errors().iter().map(|error| place(error, at, problem.code())));
    }
    (rows_kind(never_right), errors)
}

/// Of a list in the body.
fn rows_refused(rows: Vec<RefusedRow>, of: usize) -> Problem {
    let (kind, errors) = refused(rows, |error, at, code| error.within(&format!("/conversions/{at}"), code));
    let first = errors.first().map(|error| format!("{}: {}", error.pointer, error.detail)).unwrap_or_default();
    let detail = format!("{} of {of} rows are refused, and nothing is recorded; the first is {first}", errors.len());
    Problem::new(kind, detail).with_errors(errors)
}

/// Of a file.
fn lines_refused(rows: Vec<RefusedRow>) -> Problem {
    let (kind, errors) = refused(rows, |error, at, code| error.within("", code).on_line(at as u64));
    let first = errors.first().map(|error| error.detail.clone()).unwrap_or_default();
    let detail = format!("the books have changed since the rows were checked, and nothing is recorded: {first}");
    Problem::new(kind, detail).with_errors(errors)
}

/// The problem of one row of many, with its field.
pub fn of_row(why: RecordError) -> Problem {
    let pointer = match &why {
        RecordError::Refused(refusal) => refusal.pointer(),
        RecordError::ReferenceInUse { .. } => "/reference".to_owned(),
        _ => String::new(),
    };
    let problem = Problem::from(why);
    let error = FieldError::new(pointer, problem.detail());
    problem.with_errors(vec![error])
}

/// The kind of the problem of many rows: they can never be right if one of them cannot.
pub fn rows_kind(never_right: bool) -> Kind {
    kind(if never_right { "rows_refused" } else { "rows_in_conflict" })
}
