//! Small looks at an entity as a whole.

use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::EntityHeadRow;
use crate::store::table::Stored;

static ENTITY_HEAD: Text =
    Text::new(|| format!("select {} from entity_head h where h.entity = $1", EntityHeadRow::columns("h")));

impl Reader<'_> {
    /// The head of an entity, not locked.
    pub async fn entity_head(&mut self, code: &str) -> Result<Option<EntityHeadRow>, StoreError> {
        self.one(&ENTITY_HEAD, &[Arg::Text(code)]).await
    }

    /// The currencies of an entity's issues, as known at `known`, in order.
    pub async fn currencies(&mut self, entity: &str, known: i64) -> Result<Vec<String>, StoreError> {
        let text =
            "select distinct i.currency from bond_issue i where i.entity = $1 and i.sequence <= $2 order by i.currency";
        self.all(text, &[Arg::Text(entity), Arg::Int(known)]).await
    }
}
