//! Tokens in the store.

use std::time::{SystemTime, UNIX_EPOCH};

use super::{Role, TokenHash, TokenRecord, TokenStore, TokenStoreFuture};
use crate::store::{Rows, Store, TokenRow};

/// The tokens of a store.
#[derive(Clone, Debug)]
pub struct StoredTokens(pub Store);

impl TokenStore for StoredTokens {
    fn find(&self, hash: TokenHash) -> TokenStoreFuture<'_, Option<TokenRecord>> {
        Box::pin(async move {
            let row = self.0.reading().await?.reader().token(&hash.to_string()).await?;
            let record =
                |row: TokenRow| Ok(TokenRecord { role: row.role.parse::<Role>()?, name: row.name, entity: row.entity });
            row.map(record).transpose()
        })
    }

    fn insert<'a>(&'a self, hash: TokenHash, record: &'a TokenRecord) -> TokenStoreFuture<'a, ()> {
        Box::pin(async move {
            let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
            let mut rows = Rows::default();
            rows.tokens.push(TokenRow {
                token_sha256: hash.to_string(),
                name: record.name.clone(),
                role: record.role.to_string(),
                entity: record.entity.clone(),
                created_at: i64::try_from(since.as_micros()).unwrap_or(i64::MAX),
            });
            let mut posting = self.0.begin().await?;
            posting.append(rows).await?;
            Ok(posting.commit().await?)
        })
    }
}
