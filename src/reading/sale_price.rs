//! The sale-price condition of an issue, against prices that are given and not kept.

use std::sync::Arc;

use super::issued::Issued;
use super::{Library, ReadError, known};
use crate::accounting::transaction::{Books, sale_price};
use crate::document::wire::Timestamp;
use crate::document::{SalePriceAnswer, SalePriceRequest};
use crate::posting::{self, RecordError};

impl Library {
    /// Whether holders of an issue may convert during the calendar quarter after one, by the conversion rates as known at a time.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the issue was not known; a refusal of what was asked.
    pub async fn sale_price(
        &self,
        entity: &str,
        id: &str,
        request: &SalePriceRequest,
        at: Option<Timestamp>,
    ) -> Result<SalePriceAnswer, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let known = known(&mut reader, entity, at).await?;
        let row = reader.bond_issue(entity, id).await?.filter(|row| row.sequence <= known.sequence);
        let row = row.ok_or_else(|| RecordError::NotFound(format!("the bond issue {id}")))?;
        let issued = Issued::read(&row, &reader.revisions(entity, &[id]).await?)?;
        let instrument = issued.known_at(known.sequence).map(Arc::clone);
        let instrument = instrument.ok_or_else(|| RecordError::corrupt("bond issue", "it has no terms"))?;
        let calendar = posting::calendar(&super::entity_row(&mut reader, entity).await?, None)?;
        let mut books = Books::empty(instrument, calendar);
        let rates = reader.conversion_rates(entity, &[id]).await?;
        let rates = rates.iter().filter(|row| row.sequence <= known.sequence);
        books.rates = rates.map(posting::conversion_rate).collect::<Result<_, _>>()?;
        let tested = sale_price::test(&books, request.quarter_end.0, &request.prices())?;
        let currency = books.instrument.terms().currency.code();
        let (issue, known) = ((id, issued.reference.as_str()), (currency, known.text()));
        Ok(SalePriceAnswer::of(issue, known, request.quarter_end, &tested, super::CAUTION))
    }
}
