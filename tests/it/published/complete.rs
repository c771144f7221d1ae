//! Every published case is run, or is listed with the reason why it is not yet.

use std::collections::BTreeSet;

use serde::Deserialize;

use super::case::{Case, read};
use super::{
    COMPOUND, CONVERSIONS, DAY_COUNTS, EFFECTIVE_RATE, INDUCEMENTS, LIABILITY_SCHEDULES, NOT_YET, RATE_ADJUSTMENTS,
    SCHEDULES, TREASURY, WITHIN_PERIOD,
};
use super::{batch, compound, day_counts, life, rate_adjustments};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct NotYet {
    /// The ids of all collected cases.
    collected: Vec<String>,
    /// Cases of which nothing is run.
    whole: Vec<Reason>,
    /// Cases that are run, but for some of their figures.
    in_part: Vec<Reason>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Reason {
    id: String,
    /// The figures that are not run.
    what: String,
    because: String,
}

fn ids_of<R>(cases: &[Case<R>]) -> BTreeSet<String> {
    for case in cases {
        let source = &case.source;
        for (what, text) in [
            ("title", &source.title),
            ("section", &source.section),
            ("address", &source.address),
            ("notes", &case.notes),
        ] {
            assert!(!text.is_empty(), "{}: {what} is empty", case.id);
        }
        assert!(
            !case.conventions.is_empty() && !case.runs.is_empty(),
            "{}: no conventions, or nothing to run",
            case.id
        );
    }
    cases.iter().map(|case| case.id.clone()).collect()
}

fn run() -> BTreeSet<String> {
    let lives = [EFFECTIVE_RATE, LIABILITY_SCHEDULES, SCHEDULES, WITHIN_PERIOD, TREASURY]
        .map(|family| ids_of(&read::<Vec<Case<life::Run>>>(family)));
    let batches = [CONVERSIONS, INDUCEMENTS].map(|family| ids_of(&read::<Vec<Case<batch::Run>>>(family)));
    let counts: day_counts::Family = read(DAY_COUNTS);
    let rates = ids_of(&read::<Vec<Case<rate_adjustments::Run>>>(RATE_ADJUSTMENTS));
    let compound = ids_of(&read::<Vec<Case<compound::Run>>>(COMPOUND));
    lives
        .into_iter()
        .chain(batches)
        .chain([compound])
        .chain([ids_of(&counts.fractions), ids_of(&counts.days), rates])
        .flatten()
        .collect()
}

fn ids(reasons: &[Reason]) -> BTreeSet<String> {
    for Reason { id, what, because } in reasons {
        assert!(!what.is_empty() && !because.is_empty(), "{id}: say what is not run and why");
    }
    reasons.iter().map(|reason| reason.id.clone()).collect()
}

#[test]
fn every_published_case_is_run_or_says_why_not_yet() {
    let not_yet: NotYet = read(NOT_YET);
    let (run, whole, in_part) = (run(), ids(&not_yet.whole), ids(&not_yet.in_part));
    let collected: BTreeSet<String> = not_yet.collected.into_iter().collect();
    assert_eq!(
        run.intersection(&whole).collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "run, yet listed as not run at all"
    );
    assert_eq!(
        in_part.difference(&run).collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "listed as run in part, yet not run"
    );
    assert_eq!(run.union(&whole).cloned().collect::<BTreeSet<_>>(), collected, "run or not yet, and collected");
}
