//! Account mappings: from roles to an entity's own accounts.

use std::sync::Arc;

use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use utoipa::IntoParams;

use super::App;
use crate::document::AccountMappingDocument;
use crate::http::etag::Answer;
use crate::http::extract::{Body, Caller, Path};
use crate::http::ids::{EntityCode, RecordId, Scoped};
use crate::http::openapi::EntityPath;
use crate::http::problem::Problem;
use crate::http::query::Query;
use crate::http::wire::DateString;
use crate::posting::Command;

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct PutQuery {
    /// From when on the mapping is in force.
    effective_from: DateString,
    /// For one issue only, before the entity's own.
    #[param(value_type = Option<String>)]
    bond_issue: Option<RecordId>,
}

#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct GetQuery {
    /// The posting date to resolve for.
    as_of: DateString,
    /// For an issue.
    #[param(value_type = Option<String>)]
    bond_issue: Option<RecordId>,
}

/// Map account roles to accounts
///
/// The whole mapping from a date on, for the entity or for one issue of it. Batches that waited for an account are released.
#[utoipa::path(put, operation_id = "map_accounts", path = "/v1/entities/{entity}/account-mapping", tag = "entities", params(EntityPath, PutQuery),
    request_body = AccountMappingDocument,
    responses((status = 200, description = "The mapping as recorded", body = AccountMappingDocument)))]
pub async fn put(
    State(app): State<Arc<App>>,
    caller: Caller,
    Path(entity): Path<EntityCode>,
    Query(query): Query<PutQuery>,
    body: Body<AccountMappingDocument>,
) -> Result<Response, Problem> {
    let command = Command::MapAccounts {
        bond_issue: within(&entity, query.bond_issue)?,
        entity: entity.as_str().to_owned(),
        effective_from: query.effective_from.0,
        mapping: body.value,
    };
    app.record_without_key(command, caller).await
}

/// The accounts that roles resolve to on a date, and the roles that have none
#[utoipa::path(get, operation_id = "get_account_mapping", path = "/v1/entities/{entity}/account-mapping", tag = "entities", params(EntityPath, GetQuery),
    responses((status = 200, description = "The resolved accounts", body = AccountMappingDocument)))]
pub async fn get(
    State(app): State<Arc<App>>,
    Path(entity): Path<EntityCode>,
    Query(query): Query<GetQuery>,
) -> Result<Answer<AccountMappingDocument>, Problem> {
    let bond_issue = within(&entity, query.bond_issue)?;
    Ok(Answer::ok(app.library.account_mapping(entity.as_str(), query.as_of.0, bond_issue.as_deref()).await?))
}

/// The id of an issue of this entity; another entity's is not there.
fn within(entity: &EntityCode, bond_issue: Option<RecordId>) -> Result<Option<String>, Problem> {
    match bond_issue {
        Some(id) if id.entity() != entity.as_str() => Err(Problem::not_found(format!("the bond issue {id}"))),
        id => Ok(id.map(|id| id.to_string())),
    }
}
