//! The settings, validated once at the start. Whatever holds a [`Config`] need not check it again.

use std::fmt;
use std::net::{SocketAddr, ToSocketAddrs};
use std::str::FromStr;

/// Where the database is when nothing else is said: a file in the working directory.
pub const DEFAULT_DATABASE: &str = "sqlite:parwright.sqlite";
/// Where the service listens when nothing else is said.
pub const DEFAULT_LISTEN: &str = "127.0.0.1:8080";

/// How to serve.
///
/// Guarantees: the database is SQLite or PostgreSQL; without tokens the address is a loopback one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Config {
    database: DatabaseUrl,
    listen: SocketAddr,
    auth: Auth,
}

/// Whether requests need a token.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Auth {
    #[default]
    On,
    Off,
}

/// Which engine keeps the books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    Sqlite,
    Postgres,
}

/// The address of a database. It prints without its password; [`DatabaseUrl::reveal`] is for the one call that connects.
#[derive(Clone, PartialEq, Eq)]
pub struct DatabaseUrl {
    url: String,
    engine: Engine,
}

/// Why the settings cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ConfigError {
    #[error(
        "the database URL must begin with sqlite: or postgres://, such as {DEFAULT_DATABASE} or \
         postgres://user@localhost/parwright"
    )]
    Database,
    #[error("cannot listen on {0:?}: expected an address and a port, such as {DEFAULT_LISTEN}")]
    Listen(String),
    #[error("{0:?} is no time from 1ms to 1h, such as 30s")]
    Duration(String),
    #[error("--auth off is for a loopback address only, and {0} can be reached from other machines")]
    OpenToOthers(SocketAddr),
}

impl Config {
    /// Checks the settings against each other.
    pub fn new(database: DatabaseUrl, listen: SocketAddr, auth: Auth) -> Result<Self, ConfigError> {
        if auth == Auth::Off && !listen.ip().is_loopback() {
            return Err(ConfigError::OpenToOthers(listen));
        }
        Ok(Self { database, listen, auth })
    }

    /// Where the books are.
    pub fn database(&self) -> &DatabaseUrl {
        &self.database
    }

    /// Where to listen; port 0 picks a free one.
    pub fn listen(&self) -> SocketAddr {
        self.listen
    }

    /// Whether requests need a token.
    pub fn auth(&self) -> Auth {
        self.auth
    }
}

/// Reads an address and port; a name such as `localhost:8080` is looked up.
pub fn listen_address(text: &str) -> Result<SocketAddr, ConfigError> {
    let first = text.to_socket_addrs().ok().and_then(|mut addresses| addresses.next());
    first.ok_or_else(|| ConfigError::Listen(text.to_owned()))
}

impl DatabaseUrl {
    /// The address with its password.
    pub fn reveal(&self) -> &str {
        &self.url
    }

    /// The engine that its scheme names.
    pub fn engine(&self) -> Engine {
        self.engine
    }
}

impl FromStr for DatabaseUrl {
    type Err = ConfigError;

    /// The error does not repeat the text, which may hold a password.
    fn from_str(text: &str) -> Result<Self, ConfigError> {
        let engine = match text.split_once(':') {
            Some(("sqlite", rest)) if !rest.is_empty() => Engine::Sqlite,
            Some(("postgres" | "postgresql", rest)) if rest.starts_with("//") => Engine::Postgres,
            _ => return Err(ConfigError::Database),
        };
        Ok(Self { url: text.to_owned(), engine })
    }
}

impl fmt::Display for DatabaseUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&redact(&self.url))
    }
}

impl fmt::Debug for DatabaseUrl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", redact(&self.url))
    }
}

/// The URL with every password replaced. A password that is not escaped may hold `/`, `?` or `@`, so the user part is taken
/// to reach to the last `@`: rather too much is hidden than a part of it shown.
fn redact(url: &str) -> String {
    let Some((scheme, rest)) = url.split_once("://") else {
        return url.to_owned();
    };
    let (user, rest) = match rest.rsplit_once('@') {
        Some((user, rest)) => (Some(user), rest),
        None => (None, rest),
    };
    let user = match user.map(|user| user.split_once(':')) {
        None => String::new(),
        Some(None) => format!("{}@", user.unwrap_or_default()),
        Some(Some((name, _))) => format!("{name}:***@"),
    };
    let (place, query) = match rest.split_once('?') {
        Some((place, query)) => (place, query),
        None => (rest, ""),
    };
    let shown = query.split('&').filter(|pair| !pair.is_empty()).map(|pair| match pair.split_once('=') {
        Some((name, _)) if name.to_ascii_lowercase().contains("password") => {
            format!("{name}=***")
        }
        _ => pair.to_owned(),
    });
    let query = shown.collect::<Vec<_>>().join("&");
    let mark = if query.is_empty() { "" } else { "?" };
    format!("{scheme}://{user}{place}{mark}{query}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_password_is_printed() {
        for (url, shown) in [
            ("sqlite:parwright.sqlite", "sqlite:parwright.sqlite"),
            ("sqlite::memory:", "sqlite::memory:"),
            ("sqlite:///var/lib/books.sqlite?mode=rwc", "sqlite:///var/lib/books.sqlite?mode=rwc"),
            ("postgres://me@db/books", "postgres://me@db/books"),
            ("postgres://me:hunter2@db:5432/books", "postgres://me:***@db:5432/books"),
            ("postgres://me:hu@nt/er?2@db/books", "postgres://me:***@db/books"),
            ("postgresql:///books?host=/run/pg&password=hunter2", "postgresql:///books?host=/run/pg&password=***"),
        ] {
            let read: DatabaseUrl = url.parse().unwrap();
            assert_eq!((read.to_string().as_str(), read.reveal()), (shown, url));
            assert_eq!(format!("{read:?}"), format!("{shown:?}"));
        }
    }

    #[test]
    fn another_engine_is_refused_without_repeating_the_url() {
        for url in ["mysql://me:hunter2@db/books", "hunter2", "postgres:books", "sqlite:", ""] {
            let error = url.parse::<DatabaseUrl>().unwrap_err();
            assert!(!error.to_string().contains("hunter2"), "{error}");
        }
    }

    #[test]
    fn without_tokens_only_this_machine_is_served() {
        let config = |listen: &str, auth| {
            Config::new(DEFAULT_DATABASE.parse().unwrap(), listen_address(listen).unwrap(), auth).is_ok()
        };
        assert!(config("127.0.0.1:0", Auth::Off) && config("[::1]:8080", Auth::Off));
        assert!(config("0.0.0.0:8080", Auth::On));
        assert!(!config("0.0.0.0:8080", Auth::Off) && !config("[::]:8080", Auth::Off));
        assert_eq!(listen_address("8080"), Err(ConfigError::Listen("8080".to_owned())));
    }
}
