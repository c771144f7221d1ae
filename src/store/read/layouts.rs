//! CSV layouts.

use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::LayoutRow;
use crate::store::table::Stored;

static NEWEST: Text = Text::new(|| {
    format!(
        "select {} from layout l where l.entity = $1 and l.name = $2 and l.sequence <= $3 order by l.version desc limit 1",
        LayoutRow::columns("l")
    )
});

static VERSION: Text = Text::new(|| {
    format!("select {} from layout l where l.entity = $1 and l.name = $2 and l.version = $3", LayoutRow::columns("l"))
});

static LAYOUTS: Text = Text::new(|| {
    format!(
        "select {} from layout l where l.entity = $1 and l.sequence <= $2 and l.name > $3 and not exists (select 1 from layout n \
         where n.entity = l.entity and n.name = l.name and n.version > l.version and n.sequence <= $2) order by l.name limit $4",
        LayoutRow::columns("l")
    )
});

impl Reader<'_> {
    /// The newest version of a layout, as known at `known`.
    pub async fn layout(&mut self, entity: &str, name: &str, known: i64) -> Result<Option<LayoutRow>, StoreError> {
        self.one(&NEWEST, &[Arg::Text(entity), Arg::Text(name), Arg::Int(known)]).await
    }

    /// A version of a layout.
    pub async fn layout_version(
        &mut self,
        entity: &str,
        name: &str,
        version: i64,
    ) -> Result<Option<LayoutRow>, StoreError> {
        self.one(&VERSION, &[Arg::Text(entity), Arg::Text(name), Arg::Int(version)]).await
    }

    /// The newest versions of an entity's layouts, as known at `known`, in order of name after one (or after `""`).
    pub async fn layouts(
        &mut self,
        entity: &str,
        known: i64,
        after: &str,
        limit: i64,
    ) -> Result<Vec<LayoutRow>, StoreError> {
        self.all(&LAYOUTS, &[Arg::Text(entity), Arg::Int(known), Arg::Text(after), Arg::Int(limit)]).await
    }
}
