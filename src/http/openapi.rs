//! The document of the interface (OpenAPI 3.1), made from the routes themselves.
//!
//! A route is registered and documented by one call. What holds for all of them is added here, once: the title, the bearer
//! token, and the problems that any operation can answer.

use std::collections::BTreeMap;

use axum::http::StatusCode;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::response::{Response, ResponseBuilder};
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, SchemaFormat, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{ContentBuilder, InfoBuilder, LicenseBuilder, OpenApi, PathItem, Ref, RefOr, Required, Tag};
use utoipa::{IntoParams, PartialSchema, ToSchema};

use super::extract::Recording;
use super::problem::{self, EDGE_KINDS, FieldError, Kind, ProblemDocument};

const BEARER: &str = "bearer";

/// The name of the marker that makes an operation one that records: its `Idempotency-Key` parameter.
const KEY: &str = "Idempotency-Key";

/// Completes a document that came from the routes. `refusals` are the kinds of problem that the rules of the core bring.
pub fn complete(mut api: OpenApi, refusals: &[Kind]) -> OpenApi {
    api.info = InfoBuilder::new()
        .title("parwright")
        .version("v1")
        .description(Some(
            "Accounting for convertible and straight bond issues: terms and transactions in, balanced journal batches, \
             carrying values and reports out. Amounts, rates and quantities are decimals in strings. Ignore fields of \
             answers that you do not know, and expect new values of enumerations. Entries are computed for review by \
             qualified accountants under the standards, policies and laws that apply; they are no accounting, legal or \
             tax advice.",
        ))
        .license(Some(LicenseBuilder::new().name("Apache-2.0").identifier(Some("Apache-2.0")).build()))
        .build();
    api.security = Some(vec![SecurityRequirement::new(BEARER, Vec::<String>::new())]);
    let components = api.components.get_or_insert_default();
    let scheme = HttpBuilder::new().scheme(HttpAuthScheme::Bearer).bearer_format("pw_...");
    let described = scheme.description(Some(
        "A token made with `parwright token create`. For GET and HEAD a browser may send it as the password of HTTP Basic \
         (RFC 7617), with any user name.",
    )).build();
    components.security_schemes.insert(BEARER.to_owned(), SecurityScheme::Http(described).into());
    components.schemas.insert("Problem".to_owned(), ProblemDocument::schema());
    components.schemas.insert(FieldError::name().into_owned(), FieldError::schema());
    let kinds: Vec<Kind> = EDGE_KINDS.iter().chain(refusals).copied().collect();
    let mut by_status: BTreeMap<StatusCode, Vec<Kind>> = BTreeMap::new();
    for kind in kinds {
        by_status.entry(kind.status).or_default().push(kind);
    }
    for (status, kinds) in &by_status {
        components.responses.insert(component(*status), problem_response(kinds).into());
    }
    let mut tags: Vec<String> = Vec::new();
    for (path, item) in &mut api.paths.paths {
        for operation in operations(item) {
            also_ok(operation);
            let applying: Vec<_> = by_status.keys().filter(|status| applies(**status, path, operation)).collect();
            for status in applying {
                let shared = RefOr::Ref(Ref::new(format!("#/components/responses/{}", component(*status))));
                // What the operation says itself about a status is better than what holds for all.
                operation.responses.responses.entry(status.as_str().to_owned()).or_insert(shared);
            }
            tags.extend(operation.tags.iter().flatten().cloned());
        }
    }
    tags.sort();
    tags.dedup();
    api.tags = Some(tags.into_iter().map(Tag::new).collect());
    api
}

/// The document as text: pretty, in one order, with a newline at its end. Equal routes make equal bytes.
pub fn render(api: &OpenApi) -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(api).map(|text| text + "\n")
}

/// The shared answer of one status, with the codes it can carry.
fn problem_response(kinds: &[Kind]) -> Response {
    let list: Vec<_> = kinds.iter().map(|kind| format!("- `{}`: {}.", kind.code, kind.title)).collect();
    ResponseBuilder::new()
        .description(list.join("\n"))
        .content(problem::MEDIA_TYPE, ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build())
        .build()
}

fn component(status: StatusCode) -> String {
    format!("Problem{}", status.as_u16())
}

/// Whether an operation can answer with a status, told from its shape.
/// An operation that records answers 200 with the same document when it is only validated, or has nothing to record.
fn also_ok(operation: &mut Operation) {
    let records = operation
        .parameters
        .iter()
        .flatten()
        .any(|parameter| matches!(parameter, RefOr::T(known) if known.name == KEY));
    let created = operation.responses.responses.get("201").cloned();
    if let (true, Some(RefOr::T(mut answer))) = (records, created) {
        answer.description = "What would be recorded (`validate_only`), or nothing to record".to_owned();
        operation.responses.responses.entry("200".to_owned()).or_insert(RefOr::T(answer));
    }
}

fn applies(status: StatusCode, path: &str, operation: &Operation) -> bool {
    let secured = path.starts_with("/v1") || path == "/";
    let named = |name: &str| {
        let parameters = operation.parameters.iter().flatten();
        parameters.into_iter().any(|parameter| matches!(parameter, RefOr::T(parameter) if parameter.name == name))
    };
    let body = operation.request_body.is_some();
    let records = named(KEY);
    // What is told to a destination needs no key: told twice it is the same.
    let acts = ["/pause", "/resume", "/close"].iter().any(|act| path.ends_with(act));
    let several = operation.responses.responses.iter().any(|(_, answer)| match answer {
        RefOr::T(answer) => answer.content.len() > 1,
        RefOr::Ref(_) => false,
    });
    match status {
        StatusCode::BAD_REQUEST | StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => secured,
        StatusCode::NOT_FOUND => secured && (path.contains('{') || path == "/"),
        StatusCode::NOT_ACCEPTABLE => several || path == "/",
        StatusCode::CONFLICT => {
            let creates = body && (path == "/v1/entities" || path.contains("/destinations"));
            records || acts || creates || named("layout") || named("view")
        }
        StatusCode::PRECONDITION_FAILED => records && named("If-Match"),
        StatusCode::PAYLOAD_TOO_LARGE | StatusCode::UNSUPPORTED_MEDIA_TYPE => body,
        // A period in a path or a query is read as a body's fields are.
        StatusCode::UNPROCESSABLE_ENTITY => body || records || named("period"),
        StatusCode::INTERNAL_SERVER_ERROR | StatusCode::SERVICE_UNAVAILABLE => true,
        // No operation that exists refuses its own method.
        _ => false,
    }
}

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    let PathItem { get, put, post, delete, patch, .. } = item;
    [get, put, post, delete, patch].into_iter().flatten()
}

/// `params(Recording)` documents the headers and the parameter of a request that records.
impl IntoParams for Recording {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let text = || ObjectBuilder::new().schema_type(Type::String);
        let header = |name: &str, description: &str| {
            ParameterBuilder::new().name(name).parameter_in(ParameterIn::Header).description(Some(description))
        };
        let optional = |parameter: ParameterBuilder| parameter.required(Required::False);
        let key = header(
            KEY,
            "A value of your choice, such as a UUID, in double quotes or without. A request sent again with it is recorded \
             once. Required unless `validate_only` is true.",
        );
        let preview = header(
            "If-Preview-Match",
            "The `preview_sha256` of a preview: 409 if what would be posted now differs from it.",
        );
        let only = ParameterBuilder::new()
            .name("validate_only")
            .parameter_in(ParameterIn::Query)
            .description(Some("Answer 200 with what would be posted, and post nothing."));
        let flag = ObjectBuilder::new().schema_type(Type::Boolean).default(Some(false.into()));
        vec![
            optional(key).schema(Some(text().min_length(Some(1)).max_length(Some(257)))).build(),
            optional(header("If-Match", "Post only if the resource still has this ETag: else 412."))
                .schema(Some(text()))
                .build(),
            optional(preview).schema(Some(text().pattern(Some("^[0-9a-f]{64}$")))).build(),
            optional(only).schema(Some(flag)).build(),
        ]
    }
}

/// The header parameter of an import that is recorded as a whole, for `params(ImportKey)`.
pub struct ImportKey;

impl IntoParams for ImportKey {
    fn into_params(of: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let mut all = Recording::into_params(of);
        all.retain(|parameter| parameter.name == KEY);
        all
    }
}

macro_rules! id_schema {
    ($($type:ty, $name:literal, $pattern:literal, $example:literal, $description:literal;)*) => {$(
        impl PartialSchema for $type {
            fn schema() -> RefOr<utoipa::openapi::schema::Schema> {
                let text = ObjectBuilder::new().schema_type(Type::String).pattern(Some($pattern));
                text.examples([serde_json::json!($example)]).description(Some($description)).into()
            }
        }

        impl ToSchema for $type {
            fn name() -> std::borrow::Cow<'static, str> {
                $name.into()
            }
        }
    )*};
}

id_schema! {
    super::ids::EntityCode, "EntityCode", "^[A-Z0-9]{2,12}$", "ACME", "The code of an entity.";
    super::ids::RecordId, "RecordId", "^[A-Z0-9]{2,12}\\.[0-9a-f-]{36}$", "ACME.0199a3f2-7c00-7000-8000-000000000001",
        "An id as this service gave it; opaque.";
}

/// The body of an answer that is a file and no text, for `content((File = "media/type"))`.
pub struct File;

impl PartialSchema for File {
    fn schema() -> RefOr<utoipa::openapi::schema::Schema> {
        let bytes = ObjectBuilder::new().schema_type(Type::String).description(Some("The bytes of a file."));
        bytes.format(Some(SchemaFormat::KnownFormat(KnownFormat::Binary))).into()
    }
}

impl ToSchema for File {}

/// The path parameter `{id}`, for `params(IdPath)`.
pub struct IdPath;

/// The path parameter `{entity}`, for `params(EntityPath)`.
pub struct EntityPath;

/// The path parameters `{entity}` and `{name}`, for `params(LayoutPath)`.
pub struct LayoutPath;

impl IntoParams for LayoutPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let name = ObjectBuilder::new().schema_type(Type::String).pattern(Some("^[a-z0-9_-]{1,40}$"));
        vec![
            path_parameter("entity", "The code of an entity.", super::ids::EntityCode::schema()),
            path_parameter("name", "The name of a layout.", name.into()),
        ]
    }
}

/// The path parameters `{entity}` and `{period}`, for `params(PeriodPath)`.
pub struct PeriodPath;

impl IntoParams for PeriodPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let name = ObjectBuilder::new().schema_type(Type::String).pattern(Some("^[0-9]{4}-(0[1-9]|1[0-2])$"));
        vec![
            path_parameter("entity", "The code of an entity.", super::ids::EntityCode::schema()),
            path_parameter("period", "A fiscal year and the number of a period in it.", name.into()),
        ]
    }
}

/// The path parameters `{entity}` and `{series}`, for `params(SeriesPath)`.
pub struct SeriesPath;

/// The path parameters `{entity}` and `{destination}`, for `params(DestinationPath)`.
pub struct DestinationPath;

impl IntoParams for DestinationPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let name = ObjectBuilder::new().schema_type(Type::String).pattern(Some("^[a-z0-9_-]{1,40}$"));
        vec![
            path_parameter("entity", "The code of an entity.", super::ids::EntityCode::schema()),
            path_parameter("destination", "The name of a destination.", name.into()),
        ]
    }
}

impl IntoParams for SeriesPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        let name = utoipa::openapi::schema::Object::with_type(utoipa::openapi::schema::Type::String);
        vec![
            path_parameter("entity", "The code of an entity.", super::ids::EntityCode::schema()),
            path_parameter("series", "The series that issues were recorded with.", RefOr::T(name.into())),
        ]
    }
}

impl IntoParams for IdPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        vec![path_parameter("id", "An id as this service gave it.", super::ids::RecordId::schema())]
    }
}

impl IntoParams for EntityPath {
    fn into_params(_: impl Fn() -> Option<ParameterIn>) -> Vec<Parameter> {
        vec![path_parameter("entity", "The code of an entity.", super::ids::EntityCode::schema())]
    }
}

fn path_parameter(name: &str, description: &str, schema: RefOr<utoipa::openapi::schema::Schema>) -> Parameter {
    ParameterBuilder::new()
        .name(name)
        .parameter_in(ParameterIn::Path)
        .required(Required::True)
        .description(Some(description))
        .schema(Some(schema))
        .build()
}
