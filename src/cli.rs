//! The command line: what `parwright` can be told to do.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::auth::Role;
use crate::config::{self, Auth, Config, ConfigError, DEFAULT_DATABASE, DEFAULT_LISTEN, DatabaseUrl};
use crate::delivery::{KeyError, Keyring, Push};
use crate::http::ids::EntityCode;
use crate::import::{Format, Mode};

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
    /// Make keys that deliveries are signed with
    #[command(subcommand)]
    Key(Key),
    /// Print the OpenAPI document of the interface
    Openapi,
    /// Record bond issues and opening balances from a file, straight into the database; a service may be running
    Import(Import),
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
    #[command(flatten)]
    pub delivery: Delivery,
}

impl Serve {
    /// The settings, if they fit each other.
    pub fn config(&self) -> Result<Config, ConfigError> {
        Config::new(self.database.database.clone(), self.listen, self.auth)
    }
}

/// How to deliver releases.
#[derive(Debug, Args)]
pub struct Delivery {
    /// A file with the private key that signs deliveries; nothing is delivered without one. Given twice, or two with a comma between
    /// them, the first signs and both are published
    #[arg(long = "signing-key", env = "PARWRIGHT_SIGNING_KEY", value_delimiter = ',', value_name = "FILE")]
    pub signing_keys: Vec<PathBuf>,
    /// Deliver to addresses that are not public too, without TLS if need be
    #[arg(long, env = "PARWRIGHT_ALLOW_PRIVATE_DESTINATIONS")]
    pub allow_private_destinations: bool,
    /// How long an attempt may take, such as 30s or 500ms
    #[arg(long = "delivery-timeout", env = "PARWRIGHT_DELIVERY_TIMEOUT", default_value = "30s", value_parser = duration, value_name = "TIME")]
    pub timeout: Duration,
    /// How many attempts at a release fail before its destination is parked
    #[arg(long = "delivery-attempts", env = "PARWRIGHT_DELIVERY_ATTEMPTS", default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..=10_000), value_name = "NUMBER")]
    pub attempts: u32,
    /// The longest wait after the first failure; it doubles with each further one, up to an hour
    #[arg(long = "delivery-backoff", env = "PARWRIGHT_DELIVERY_BACKOFF", default_value = "1s", value_parser = duration, value_name = "TIME")]
    pub backoff: Duration,
}

impl Delivery {
    /// The settings, with the keys read from their files.
    pub fn push(&self) -> Result<Push, KeyError> {
        Ok(Push {
            keyring: Keyring::load(&self.signing_keys)?.map(Arc::new),
            allow_private: self.allow_private_destinations,
            timeout: self.timeout,
            attempts: self.attempts,
            backoff: self.backoff,
            ..Push::default()
        })
    }
}

fn duration(text: &str) -> Result<Duration, ConfigError> {
    let read = text.parse::<jiff::SignedDuration>().ok().and_then(|duration| Duration::try_from(duration).ok());
    read.filter(|duration| (Duration::from_millis(1)..=Duration::from_secs(3600)).contains(duration))
        .ok_or_else(|| ConfigError::Duration(text.to_owned()))
}

/// What to do with keys.
#[derive(Debug, Subcommand)]
pub enum Key {
    /// Make a private key in a new file, and print its id
    Create(KeyCreate),
}

/// The key to make.
#[derive(Debug, Args)]
pub struct KeyCreate {
    /// Where to write it; it is never written over
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
}

/// What to import.
#[derive(Debug, Args)]
pub struct Import {
    #[command(flatten)]
    pub database: Database,
    /// JSON Lines or CSV, at most 100,000 rows; - is standard input
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// The code of the entity whose issues they are
    #[arg(long)]
    pub entity: EntityCode,
    /// All rows in one commit or none, or each by itself
    #[arg(long, value_enum, default_value_t)]
    pub mode: Mode,
    /// How the rows are written; by the name of the file without it
    #[arg(long, value_enum)]
    pub format: Option<Format>,
    /// Where to write the report, a JSON line a row; standard output without it
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
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
    fn deliveries_are_set_with_files_and_times() {
        let serve = |line: &str| match parse(line) {
            Ok(Cli { command: Command::Serve(serve), .. }) => Ok(serve.delivery),
            Ok(_) => panic!("not serve"),
            Err(error) => Err(error.to_string()),
        };
        let plain = serve("parwright serve").unwrap();
        assert!(plain.signing_keys.is_empty() && !plain.allow_private_destinations);
        assert_eq!(
            (plain.timeout, plain.attempts, plain.backoff),
            (Duration::from_secs(30), 50, Duration::from_secs(1))
        );
        assert!(plain.push().unwrap().keyring.is_none());
        let set = serve(
            "parwright serve --signing-key a.pem,b.pem --signing-key c.pem --allow-private-destinations --delivery-timeout 500ms \
             --delivery-attempts 3 --delivery-backoff 1m",
        );
        let set = set.unwrap();
        assert_eq!(set.signing_keys, ["a.pem", "b.pem", "c.pem"].map(PathBuf::from));
        assert_eq!((set.timeout, set.attempts, set.backoff), (Duration::from_millis(500), 3, Duration::from_secs(60)));
        for wrong in ["0s", "-1s", "2h", "soon", "30"] {
            let refused = serve(&format!("parwright serve --delivery-timeout={wrong}")).unwrap_err();
            assert!(refused.contains("such as 30s"), "{refused}");
        }
        assert!(serve("parwright serve --delivery-attempts 0").is_err());
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
