//! Issues kept in memory: their terms never change, and reading them and building their curves costs more than all else of a
//! carrying value.

use std::collections::HashMap;
use std::sync::{Arc, PoisonError, RwLock};

use super::ReadError;
use crate::accounting::instrument::Instrument;
use crate::document::BondIssueDocument;
use crate::posting;
use crate::store::BondIssueRow;

/// How many issues are kept. When there are more, all are forgotten and read again as they are asked for.
const MOST: usize = 2_048;

/// An issue as it was recorded.
#[derive(Debug)]
pub(super) struct Issued {
    pub document: BondIssueDocument,
    pub instrument: Instrument,
}

impl Issued {
    /// The issue of a row.
    pub fn read(row: &BondIssueRow) -> Result<Issued, ReadError> {
        let (document, instrument) = posting::instrument(row)?;
        Ok(Issued { document, instrument })
    }
}

/// The issues that were asked for lately.
#[derive(Clone, Debug, Default)]
pub(super) struct Shelf(Arc<RwLock<HashMap<String, Arc<Issued>>>>);

impl Shelf {
    /// The issue of a row, from memory if it is there.
    pub fn issued(&self, row: &BondIssueRow) -> Result<Arc<Issued>, ReadError> {
        // What is in the map is right even if a thread that held it panicked: entries are only ever added whole.
        if let Some(issued) = self.0.read().unwrap_or_else(PoisonError::into_inner).get(&row.id) {
            return Ok(Arc::clone(issued));
        }
        let issued = Arc::new(Issued::read(row)?);
        let mut kept = self.0.write().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= MOST {
            kept.clear();
        }
        kept.insert(row.id.clone(), Arc::clone(&issued));
        Ok(issued)
    }
}
