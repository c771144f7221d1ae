//! The command line: what `parwright` can be told to do.

use std::net::SocketAddr;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::auth::Role;
use crate::config::{self, Auth, Config, ConfigError, DEFAULT_DATABASE, DEFAULT_LISTEN, DatabaseUrl};
use crate::http::ids::EntityCode;

/// Accounting for convertible and straight bond issues
#[derive(Debug, Parser)]
#[command(name = "parwright", version, propagate_version = true)]
pub struct Cli {
    #[command(flatten)]
    pub log: Log,
    #[command(subcommand)]
    pub command: Command,
}

/// One thing to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Serve the books over HTTP, creating and migrating the database first if need be
    Serve(Serve),
    /// Serve a small invented portfolio from a temporary database, and print what to open
    Demo(Demo),
    /// Bring the database to the schema of this version
    Migrate(Database),
    /// Make tokens
    #[command(subcommand)]
    Token(Token),
    /// Print the OpenAPI document of the interface
    Openapi,
    /// Recompute every hash and tie of the books
    Verify(Database),
}

/// Where the log goes is fixed, standard error; how much and in which form is not.
#[derive(Debug, Args)]
pub struct Log {
    /// What to log: a level, or directives such as `info,parwright=debug`
    #[arg(long, global = true, env = "PARWRIGHT_LOG", default_value = "info", value_name = "FILTER")]
    pub log: String,
    /// How to write it
    #[arg(long, global = true, env = "PARWRIGHT_LOG_FORMAT", value_enum, default_value_t, value_name = "FORMAT")]
    pub log_format: LogFormat,
}

/// The form of a line in the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    #[default]
    Text,
    Json,
}

/// Where the books are.
#[derive(Debug, Args)]
pub struct Database {
    // The value in the environment may hold a password, which --help must not show.
    /// The database: an embedded SQLite file or a PostgreSQL server
    #[arg(
        long = "database-url",
        env = "PARWRIGHT_DATABASE_URL",
        hide_env_values = true,
        default_value = DEFAULT_DATABASE,
        value_name = "URL",
        value_parser = DatabaseText,
    )]
    pub database: DatabaseUrl,
}

/// How to serve.
#[derive(Debug, Args)]
pub struct Serve {
    #[command(flatten)]
    pub database: Database,
    /// The address and port to listen on; port 0 picks a free one
    #[arg(long, env = "PARWRIGHT_LISTEN", default_value = DEFAULT_LISTEN, value_parser = config::listen_address, value_name = "ADDR")]
    pub listen: SocketAddr,
    /// Whether requests need a token; off is for a loopback address only
    #[arg(long, env = "PARWRIGHT_AUTH", value_enum, default_value_t)]
    pub auth: Auth,
}

impl Serve {
    /// The settings, if they fit each other.
    pub fn config(&self) -> Result<Config, ConfigError> {
        Config::new(self.database.database.clone(), self.listen, self.auth)
    }
}

/// How to show.
#[derive(Debug, Args)]
pub struct Demo {
    /// The loopback address and port to listen on; port 0 picks a free one
    #[arg(long, env = "PARWRIGHT_LISTEN", default_value = DEFAULT_LISTEN, value_parser = loopback, value_name = "ADDR")]
    pub listen: SocketAddr,
}

/// What to do with tokens.
#[derive(Debug, Subcommand)]
pub enum Token {
    /// Make a token and print it, this once
    Create(TokenCreate),
}

/// The token to make.
#[derive(Debug, Args)]
pub struct TokenCreate {
    #[command(flatten)]
    pub database: Database,
    /// What it may do
    #[arg(long, default_value = "operator", value_parser = str::parse::<Role>)]
    pub role: Role,
    /// The code of the one entity it may see; all of them without it
    #[arg(long)]
    pub entity: Option<EntityCode>,
    /// A name for it, which stands in audit records; made up from role and entity without one
    #[arg(long)]
    pub name: Option<String>,
}

impl TokenCreate {
    /// The name that was given, or one made up.
    pub fn name(&self) -> String {
        let made_up = || match &self.entity {
            Some(entity) => format!("{}-{entity}", self.role),
            None => self.role.to_string(),
        };
        self.name.clone().unwrap_or_else(made_up)
    }
}

/// Reads a database URL. Unlike a plain function it does not let clap repeat the value, which may hold a password, in its
/// error.
#[derive(Clone)]
struct DatabaseText;

impl clap::builder::TypedValueParser for DatabaseText {
    type Value = DatabaseUrl;

    fn parse_ref(
        &self,
        command: &clap::Command,
        _: Option<&clap::Arg>,
        value: &std::ffi::OsStr,
    ) -> Result<DatabaseUrl, clap::Error> {
        let read = value.to_str().ok_or(ConfigError::Database).and_then(str::parse);
        read.map_err(|error| {
            clap::Error::raw(clap::error::ErrorKind::ValueValidation, format!("{error}\n")).with_cmd(command)
        })
    }
}

fn loopback(text: &str) -> Result<SocketAddr, ConfigError> {
    let address = config::listen_address(text)?;
    if address.ip().is_loopback() { Ok(address) } else { Err(ConfigError::OpenToOthers(address)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(line: &str) -> Result<Cli, clap::Error> {
        Cli::try_parse_from(line.split(' '))
    }

    #[test]
    fn the_definition_is_consistent() {
        <Cli as clap::CommandFactory>::command().debug_assert();
    }

    #[test]
    fn serving_needs_no_settings() {
        let Command::Serve(serve) = parse("parwright serve").unwrap().command else { panic!("not serve") };
        let config = serve.config().unwrap();
        assert_eq!((config.database().reveal(), config.auth()), (DEFAULT_DATABASE, Auth::On));
        assert_eq!(config.listen().to_string(), DEFAULT_LISTEN);
    }

    #[test]
    fn a_wrong_database_url_is_refused_without_its_password() {
        let error = parse("parwright serve --database-url mysql://me:hunter2@db/x").unwrap_err().to_string();
        assert!(error.contains("sqlite:") && !error.contains("hunter2"), "{error}");
    }

    #[test]
    fn a_token_has_a_role_and_perhaps_an_entity() {
        let line = "parwright token create --role operator --entity ACME";
        let Command::Token(Token::Create(create)) = parse(line).unwrap().command else { panic!("not token create") };
        assert_eq!((create.role, create.entity.as_ref().map(EntityCode::as_str)), (Role::Operator, Some("ACME")));
        assert_eq!(create.name(), "operator-ACME");
        assert!(parse("parwright token create --role root").is_err());
        assert!(parse("parwright token create --entity acme").is_err());
        assert!(parse("parwright demo --listen 0.0.0.0:80").is_err());
    }
}
