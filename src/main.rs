//! The command line of parwright.

use std::error::Error;
use std::io::Write;
use std::process::ExitCode;

use parwright::auth::{Secret, StoredTokens, TokenRecord, TokenStore};
use parwright::cli::{Command, Key, Token};
use parwright::{app, delivery, service};

/// A row that is read is some dozens of small allocations, on one thread, that are freed on another: the system's allocator takes
/// a tenth of a read for them.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    app::main(run)
}

async fn run(command: Command) -> Result<(), Box<dyn Error>> {
    match command {
        Command::Serve(serve) => {
            let config = serve.config()?;
            let store = service::open(&serve.database.database).await?;
            let push = serve.delivery.push()?;
            if push.keyring.is_none() {
                tracing::info!("no signing key is given: releases are not delivered, and can be fetched");
            }
            let listener = app::bind(config.listen()).await?;
            let started = service::start(&store, config.auth(), &push)?;
            app::serve(listener, started, app::print_address).await?;
            store.close().await;
            Ok(())
        }
        Command::Demo(demo) => Ok(parwright::demo::serve(demo.listen).await?),
        Command::Migrate(database) => {
            service::open(&database.database).await?.close().await;
            Ok(())
        }
        Command::Token(Token::Create(create)) => {
            let store = service::open(&create.database.database).await?;
            let secret = Secret::generate()?;
            let record = TokenRecord {
                name: create.name(),
                role: create.role,
                entity: create.entity.map(|code| code.to_string()),
            };
            StoredTokens(store.clone())
                .insert(secret.hash(), &record)
                .await
                .map_err(|error| error as Box<dyn Error>)?;
            store.close().await;
            Ok(writeln!(std::io::stdout(), "{}", secret.reveal())?)
        }
        Command::Key(Key::Create(create)) => {
            let id = delivery::create_key(&create.file)?;
            Ok(writeln!(std::io::stdout(), "{id}")?)
        }
        Command::Openapi => Ok(write!(std::io::stdout(), "{}", service::openapi()?)?),
        Command::Import(import) => {
            let store = service::open(&import.database.database).await?;
            let outcome = parwright::import::command::run(&import, &store).await;
            store.close().await;
            outcome
        }
        Command::Verify(database) => {
            let store = service::open(&database.database).await?;
            let report = parwright::audit::verify::verify(&store).await?;
            store.close().await;
            write!(std::io::stdout(), "{report}")?;
            if report.is_sound() { Ok(()) } else { Err("the books do not verify; see the lines above".into()) }
        }
    }
}
