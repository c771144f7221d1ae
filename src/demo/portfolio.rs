//! The invented portfolio: read from its script and recorded step by step, as requests over HTTP would be.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::de::DeserializeOwned;

use super::DemoError;
use crate::document::{BondIssueDocument, CloseRequest, ConversionRequest, EntityDocument, InducementRequest, Layout};
use crate::posting::{Command, Context, IssueCommand, Recorder, Reversing};

const SCRIPT: &str = include_str!("portfolio.txt");

/// The books after the script: what the steps that come later, and the guide, name by reference.
#[derive(Clone, Debug, Default)]
pub struct Portfolio {
    /// The code of the entity.
    pub entity: String,
    /// The entity's name.
    pub name: String,
    /// Ids of issues by their references.
    pub issues: BTreeMap<String, String>,
    /// Ids of events by their references.
    pub events: BTreeMap<String, String>,
    /// The days through which all issues were accrued, one a month.
    pub closes: Vec<Date>,
    /// The last day of the last fiscal period that was closed.
    pub closed_through: String,
}

/// Records the portfolio.
///
/// # Errors
/// [`DemoError::Script`] or [`DemoError::Recording`] with the line of the script.
pub async fn record(recorder: &Recorder) -> Result<Portfolio, DemoError> {
    let mut portfolio = Portfolio::default();
    for step in steps(SCRIPT) {
        let commands = portfolio.commands(&step).map_err(|source| DemoError::Script { line: step.line, source })?;
        for command in commands {
            let context =
                Context { request_id: format!("demo-{}", step.line), actor: "demo".to_owned(), ..Context::default() };
            let recorded = recorder.record(command.clone(), context).await;
            let recorded = recorded.map_err(|source| DemoError::Recording { line: step.line, source })?;
            portfolio
                .learn(&command, &recorded.answer)
                .map_err(|source| DemoError::Script { line: step.line, source })?;
        }
    }
    Ok(portfolio)
}

/// One step of a script.
#[derive(Debug, PartialEq, Eq)]
struct Step {
    /// Where it begins, counted from 1.
    line: usize,
    verb: String,
    rest: String,
}

fn steps(script: &str) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    for (number, line) in script.lines().enumerate().filter(|(_, line)| !line.is_empty() && !line.starts_with('#')) {
        match steps.last_mut() {
            Some(step) if line.starts_with(' ') => {
                step.rest.push('\n');
                step.rest.push_str(line);
            }
            _ => {
                let (verb, rest) = line.split_once(' ').unwrap_or((line, ""));
                steps.push(Step { line: number + 1, verb: verb.to_owned(), rest: rest.to_owned() });
            }
        }
    }
    steps
}

type Unreadable = Box<dyn std::error::Error + Send + Sync>;

impl Portfolio {
    /// What a step records: one command, or one a month.
    fn commands(&self, step: &Step) -> Result<Vec<Command>, Unreadable> {
        let (target, body) = step.rest.split_once(' ').unwrap_or((&step.rest, ""));
        Ok(match step.verb.as_str() {
            "entity" => vec![Command::CreateEntity(json::<EntityDocument>(&step.rest)?)],
            "bond-issue" => vec![Command::Issue(Box::new(json::<BondIssueDocument>(&step.rest)?))],
            "account-mapping" => vec![Command::MapAccounts {
                entity: self.entity.clone(),
                bond_issue: None,
                effective_from: target.parse()?,
                mapping: json(body)?,
            }],
            "layout" => {
                let layout = Layout::new(json(body)?);
                let layout =
                    layout.map_err(|errors| errors.first().map(|error| error.detail.clone()).unwrap_or_default());
                vec![Command::StoreLayout {
                    entity: self.entity.clone(),
                    name: target.to_owned(),
                    layout: Box::new(layout?),
                }]
            }
            "close" => self.month_ends(target)?.into_iter().map(|end| self.close(end)).collect::<Result<_, _>>()?,
            "period-close" => vec![Command::ClosePeriod {
                entity: self.entity.clone(),
                period: target.to_owned(),
                request: CloseRequest::default(),
            }],
            "coupon-payment" => vec![self.on_issue(target, IssueCommand::PayCoupon(json(body)?))?],
            "conversion" => {
                let mut request: ConversionRequest = json(body)?;
                if let Some(surrender) = &mut request.surrender {
                    *surrender = known(&self.events, surrender)?;
                }
                vec![self.on_issue(target, IssueCommand::Convert(request))?]
            }
            "reversal" => {
                let (event, body) = body.split_once(' ').ok_or("a reversal names an event")?;
                let event = known(&self.events, event)?;
                let reversing = Reversing { event, holds_accruals_alone: false, request: json(body)? };
                vec![self.on_issue(target, IssueCommand::Reverse(Box::new(reversing)))?]
            }
            "modification" => vec![self.on_issue(target, IssueCommand::Modify(Box::new(json(body)?)))?],
            "reclassification" => vec![self.on_issue(target, IssueCommand::Reclassify(json(body)?))?],
            "repurchase" => vec![self.on_issue(target, IssueCommand::Repurchase(json(body)?))?],
            "inducement" => {
                let mut request: InducementRequest = json(body)?;
                if let Some(acceptance) = &mut request.acceptance {
                    *acceptance = known(&self.events, acceptance)?;
                }
                vec![self.on_issue(target, IssueCommand::Induce(Box::new(request)))?]
            }
            other => return Err(format!("{other} is no step").into()),
        })
    }

    fn on_issue(&self, reference: &str, command: IssueCommand) -> Result<Command, Unreadable> {
        Ok(Command::OnIssue { entity: self.entity.clone(), bond_issue: known(&self.issues, reference)?, command })
    }

    /// The last days of the months after the one closed last up to `month`; of `month` alone if none is closed.
    fn month_ends(&self, month: &str) -> Result<Vec<Date>, Unreadable> {
        let to = format!("{month}-01").parse::<Date>()?.last_of_month();
        let first = match self.closes.last() {
            Some(closed) => closed.tomorrow()?.last_of_month(),
            None => to,
        };
        let ends = std::iter::successors(Some(first), |end| end.tomorrow().ok().map(Date::last_of_month));
        Ok(ends.take_while(|end| *end <= to).collect())
    }

    fn close(&self, month_end: Date) -> Result<Command, Unreadable> {
        let reference = format!("Close {}", month_end.strftime("%Y-%m"));
        let request = serde_json::json!({"through": month_end.to_string(), "reference": reference});
        Ok(Command::AccrueEntity { entity: self.entity.clone(), request: serde_json::from_value(request)? })
    }

    /// Takes from a command and its answer what later steps name.
    fn learn(&mut self, command: &Command, answer: &str) -> Result<(), Unreadable> {
        let answer: serde_json::Value = serde_json::from_str(answer)?;
        let id = |pointer: &str| {
            let id = answer.pointer(pointer).and_then(serde_json::Value::as_str);
            id.map(str::to_owned).ok_or_else(|| format!("an answer without {pointer}"))
        };
        match command {
            Command::CreateEntity(document) => {
                self.entity.clone_from(&document.code);
                self.name.clone_from(&document.name);
            }
            Command::Issue(document) => drop(self.issues.insert(document.reference.clone(), id("/id")?)),
            Command::ClosePeriod { .. } => self.closed_through = id("/last_day")?,
            Command::AccrueEntity { request, .. } => self.closes.push(request.through.0),
            Command::OnIssue { .. } => {
                if let Some((_, reference)) = command.natural_key() {
                    self.events.insert(reference.to_owned(), id("/event/id")?);
                }
            }
            Command::MapAccounts { .. }
            | Command::ReopenPeriod { .. }
            | Command::StoreLayout { .. }
            | Command::OnSeries { .. }
            | Command::ConvertMany { .. }
            | Command::ImportIssues { .. }
            | Command::OnDestination { .. }
            | Command::Acknowledge { .. }
            | Command::ReleaseAgain { .. } => {}
        }
        Ok(())
    }
}

fn json<T: DeserializeOwned>(text: &str) -> Result<T, Unreadable> {
    Ok(serde_json::from_str(text)?)
}

fn known(ids: &BTreeMap<String, String>, reference: &str) -> Result<String, Unreadable> {
    ids.get(reference).cloned().ok_or_else(|| format!("nothing before has the reference {reference}").into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_reaches_over_the_indented_lines_below_it() {
        let step = |line, verb: &str, rest: &str| Step { line, verb: verb.to_owned(), rest: rest.to_owned() };
        let script = "# A comment.\n\nentity {\"a\":\n    1}\nclose 2024-05\n";
        assert_eq!(steps(script), [step(3, "entity", "{\"a\":\n    1}"), step(5, "close", "2024-05")]);
    }

    #[test]
    fn closes_follow_each_other_month_by_month() {
        let mut portfolio = Portfolio::default();
        let ends = |portfolio: &Portfolio, month| {
            portfolio.month_ends(month).unwrap().iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        assert_eq!(ends(&portfolio, "2024-01"), ["2024-01-31"]);
        portfolio.closes.push("2024-01-31".parse().unwrap());
        assert_eq!(ends(&portfolio, "2024-03"), ["2024-02-29", "2024-03-31"]);
        assert_eq!(ends(&portfolio, "2024-01"), [""; 0]);
    }

    #[test]
    fn a_step_that_cannot_be_read_is_an_error() {
        let portfolio = Portfolio::default();
        for script in ["nonsense", "close", "close 2024-13", "conversion CB {}", "account-mapping today {}", "entity {"]
        {
            assert!(portfolio.commands(&steps(script)[0]).is_err(), "{script}");
        }
    }
}
