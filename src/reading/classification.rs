//! Current or non-current, by the terms alone, with what was recorded for the date.

use jiff::civil::Date;

use super::{Library, ReadError};
use crate::accounting::Currency;
use crate::accounting::classification::{Facts, classify};
use crate::accounting::money::Amount;
use crate::document::wire::Timestamp;
use crate::document::{ClassificationDocument, ReclassificationBlock, ReclassifiedDocument, money};
use crate::posting::{self, RecordError};
use crate::store::EventRow;

impl Library {
    /// What of an issue is current at close of business on a date.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the issue was not known.
    pub async fn classification(
        &self,
        entity: &str,
        id: &str,
        as_of: Date,
        at: Option<Timestamp>,
    ) -> Result<ClassificationDocument, ReadError> {
        let (valued, known) = self.valued(entity, id, as_of, at).await?;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let framework = posting::framework(&super::entity_row(&mut reader, entity).await?)?;
        let instrument = &valued.instrument;
        let (position, terms) = (&valued.value.position, instrument.on(as_of).terms());
        let found = classify(framework, terms, position.principal, as_of, &Facts::default())?;
        let (current, non_current) =
            ClassificationDocument::parts(&found, &found.parts(position, instrument)?, terms.currency)?;
        let carrying_amount = position.components()?.carrying_amount()?;
        let event = reader.reclassified(entity, id, &as_of.to_string(), known.sequence).await?;
        Ok(ClassificationDocument {
            bond_issue: id.to_owned(),
            reference: valued.issued.reference.clone(),
            currency: terms.currency.code().to_owned(),
            as_of: as_of.to_string(),
            known_at: known.text(),
            classification: found.verdict.name().to_owned(),
            current,
            non_current,
            reasons: ClassificationDocument::reasons(&found),
            current_within: found.within.to_string(),
            reclassification: event.map(|event| reclassified(event, carrying_amount, terms.currency)).transpose()?,
            caution: super::CAUTION.to_owned(),
        })
    }
}

fn reclassified(event: EventRow, now: Amount, currency: Currency) -> Result<ReclassifiedDocument, ReadError> {
    #[derive(serde::Deserialize)]
    struct Detail {
        reclassification: ReclassificationBlock,
    }
    let detail: Detail = serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
    let recorded = detail.reclassification;
    let then = recorded.carrying_amount().ok_or_else(|| RecordError::corrupt("event", "an amount that is none"))?;
    let then = Amount::from_major(then, currency)?;
    Ok(ReclassifiedDocument { event: event.id, recorded, difference: money(now.minus(then)?, currency) })
}
