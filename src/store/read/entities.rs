//! Entities, their heads, what is known of them and what guards their requests.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::{Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{
    AccountMappingRow, EntityHeadRow, EntityRow, IdempotencyRow, NaturalKeyRow, RecordRow, TokenRow, YearHeadRow,
};
use crate::store::table::Stored;

cells! {
    /// A point of an entity's known-at axis: a recorded command.
    #[derive(Copy)]
    pub struct Known {
        /// The command's sequence.
        sequence: bigint,
        /// When it was recorded, in microseconds since 1970.
        recorded_at: bigint,
    }
}

static ENTITY: Text = Text::new(|| format!("select {} from entity e where e.entity = $1", EntityRow::columns("e")));

static ENTITIES: Text = Text::new(|| {
    format!("select {} from entity e where e.entity > $1 order by e.entity limit $2", EntityRow::columns("e"))
});

static ENTITY_HEADS: Text = Text::new(|| {
    format!("select {} from entity_head h where h.entity > $1 order by h.entity limit $2", EntityHeadRow::columns("h"))
});

static YEAR_HEADS: Text = Text::new(|| {
    format!("select {} from year_head y where y.entity = $1 order by y.fiscal_year", YearHeadRow::columns("y"))
});

static RECORDS: Text = Text::new(|| {
    format!(
        "select {} from record r where r.entity = $1 and r.sequence > $2 order by r.sequence limit $3",
        RecordRow::columns("r")
    )
});

static IDEMPOTENCY: Text = Text::new(|| {
    format!("select {} from idempotency i where i.entity = $1 and i.key = $2", IdempotencyRow::columns("i"))
});

static MAPPINGS: Text = Text::new(|| {
    format!(
        "select {} from account_mapping m where m.entity = $1 and m.sequence <= $2 order by m.sequence",
        AccountMappingRow::columns("m")
    )
});

static NAMED: Texts = Texts::new(|| ["in (select value from json_each($3))", "= any($3)"].map(named));

fn named(among: &str) -> String {
    format!(
        "select {} from natural_key n where n.entity = $1 and n.kind = $2 and n.reference {among} order by n.reference",
        NaturalKeyRow::columns("n")
    )
}

static TOKEN: Text = Text::new(|| format!("select {} from token t where t.token_sha256 = $1", TokenRow::columns("t")));

static TOKENS: Text =
    Text::new(|| format!("select {} from token t order by t.created_at, t.token_sha256", TokenRow::columns("t")));

impl Reader<'_> {
    /// The entity with a code.
    pub async fn entity(&mut self, code: &str) -> Result<Option<EntityRow>, StoreError> {
        self.one(&ENTITY, &[Arg::Text(code)]).await
    }

    /// Entities in order of their code, after one (or after `""`).
    pub async fn entities(&mut self, after: &str, limit: i64) -> Result<Vec<EntityRow>, StoreError> {
        self.all(&ENTITIES, &[Arg::Text(after), Arg::Int(limit)]).await
    }

    /// Heads in order of their entity's code, after one (or after `""`). They are not locked.
    pub async fn entity_heads(&mut self, after: &str, limit: i64) -> Result<Vec<EntityHeadRow>, StoreError> {
        self.all(&ENTITY_HEADS, &[Arg::Text(after), Arg::Int(limit)]).await
    }

    /// The last batch number of each fiscal year of an entity that has one.
    pub async fn year_heads(&mut self, entity: &str) -> Result<Vec<YearHeadRow>, StoreError> {
        self.all(&YEAR_HEADS, &[Arg::Text(entity)]).await
    }

    /// The last command recorded at or before a time, in microseconds since 1970; the newest one without a time. None if
    /// there is no such command.
    pub async fn known(&mut self, entity: &str, at: Option<i64>) -> Result<Option<Known>, StoreError> {
        let text = "select r.sequence, r.recorded_at from record r where r.entity = $1 and r.recorded_at <= $2 \
                    order by r.recorded_at desc limit 1";
        self.one(text, &[Arg::Text(entity), Arg::Int(at.unwrap_or(i64::MAX))]).await
    }

    /// The audit trail of an entity, in order, after a sequence.
    pub async fn records(&mut self, entity: &str, after: i64, limit: i64) -> Result<Vec<RecordRow>, StoreError> {
        self.all(&RECORDS, &[Arg::Text(entity), Arg::Int(after), Arg::Int(limit)]).await
    }

    /// The answer that was given under an idempotency key.
    pub async fn idempotency(&mut self, entity: &str, key: &str) -> Result<Option<IdempotencyRow>, StoreError> {
        self.one(&IDEMPOTENCY, &[Arg::Text(entity), Arg::Text(key)]).await
    }

    /// The id of what a reference names.
    pub async fn natural_key(
        &mut self,
        entity: &str,
        kind: &str,
        reference: &str,
    ) -> Result<Option<String>, StoreError> {
        let text = "select n.id from natural_key n where n.entity = $1 and n.kind = $2 and n.reference = $3";
        self.one(text, &[Arg::Text(entity), Arg::Text(kind), Arg::Text(reference)]).await
    }

    /// What some references of a kind name: reference and id.
    pub async fn natural_keys(
        &mut self,
        entity: &str,
        kind: &str,
        references: &[&str],
    ) -> Result<Vec<(String, String)>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(kind), Arg::Texts(references)];
        let rows: Vec<NaturalKeyRow> = self.either(&NAMED, &args).await?;
        Ok(rows.into_iter().map(|row| (row.reference, row.id)).collect())
    }

    /// All account mappings of an entity recorded up to `known`, in order of recording.
    pub async fn mappings(&mut self, entity: &str, known: i64) -> Result<Vec<AccountMappingRow>, StoreError> {
        self.all(&MAPPINGS, &[Arg::Text(entity), Arg::Int(known)]).await
    }

    /// The token with a hash.
    pub async fn token(&mut self, token_sha256: &str) -> Result<Option<TokenRow>, StoreError> {
        self.one(&TOKEN, &[Arg::Text(token_sha256)]).await
    }

    /// All tokens, oldest first.
    pub async fn tokens(&mut self) -> Result<Vec<TokenRow>, StoreError> {
        self.all(&TOKENS, &[]).await
    }
}
