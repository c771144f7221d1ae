//! CSV layouts of an entity.

use super::issues::one_more;
use super::{Known, Library, ReadError};
use crate::document::{Layout, StoredLayout};
use crate::posting::{RecordError, stored_layout};

impl Library {
    /// A version of a layout, or its newest.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn layout(&self, entity: &str, name: &str, version: Option<i64>) -> Result<StoredLayout, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let row = match version {
            Some(version) => reader.layout_version(entity, name, version).await?,
            None => reader.layout(entity, name, i64::MAX).await?,
        };
        let version = version.map(|version| format!("version {version} of ")).unwrap_or_default();
        let row = row.ok_or_else(|| RecordError::NotFound(format!("{version}the layout {name:?} of {entity}")))?;
        stored_layout(&row)
    }

    /// The newest version of a layout, to write by.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn layout_to_write(&self, entity: &str, name: &str) -> Result<Layout, ReadError> {
        let stored = self.layout(entity, name, None).await?;
        let corrupt = |errors: Vec<crate::document::LayoutError>| {
            RecordError::corrupt("layout", errors.first().map(|error| error.detail.clone()).unwrap_or_default())
        };
        Layout::new(stored.layout).map_err(corrupt)
    }

    /// The newest versions of an entity's layouts in order of name after one, as known; `limit` and one more.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn layouts(
        &self,
        entity: &str,
        known: Known,
        after: &str,
        limit: usize,
    ) -> Result<Vec<StoredLayout>, ReadError> {
        let rows = self.reading().await?.reader().layouts(entity, known.sequence, after, one_more(limit)).await?;
        rows.iter().map(stored_layout).collect()
    }
}
