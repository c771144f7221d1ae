//! The demonstration: a small invented portfolio in a temporary database, served without tokens.
//!
//! Reading order: `portfolio.txt` (the books as a script), `portfolio` (how they are recorded, through the same writer as requests),
//! `guide` (what is printed), and below how it is served.

mod guide;
pub mod portfolio;

use std::io::{ErrorKind, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};

use tokio::net::TcpListener;

use crate::app::{self, RunError};
use crate::config::Auth;
use crate::delivery::{Push, SenderError};
use crate::posting::RecordError;
use crate::service;
use crate::store::{Options, Store, StoreError};

/// Why there is no demonstration.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    #[error("cannot make a directory for the temporary database")]
    Directory(#[source] std::io::Error),
    #[error("cannot remove the directory of the temporary database")]
    Removal(#[source] std::io::Error),
    #[error("the temporary database failed")]
    Store(#[from] StoreError),
    #[error("the portfolio's line {line} cannot be read")]
    Script { line: usize, source: Box<dyn std::error::Error + Send + Sync> },
    #[error("the portfolio's line {line} was not recorded")]
    Recording { line: usize, source: RecordError },
    #[error("the service could not be put together")]
    Start(#[from] SenderError),
    #[error(transparent)]
    Run(#[from] RunError),
}

/// Serves the portfolio until SIGTERM or SIGINT, then removes its database.
///
/// # Errors
/// When there is no place to keep it or no address to serve it at.
pub async fn serve(listen: SocketAddr) -> Result<(), DemoError> {
    let stop = stop_signal()?;
    let directory = tempfile::Builder::new().prefix("parwright-demo-").tempdir().map_err(DemoError::Directory)?;
    let outcome = {
        let announced = AtomicBool::new(false);
        let mut serving = pin!(fill_and_serve(listen, directory.path(), &announced));
        tokio::select! {
            outcome = &mut serving => outcome,
            () = stop => {
                // From the moment of the announcement the service itself hears the signal, and drains; before it there is nothing
                // to drain, and giving up at once still removes the database.
                if announced.load(Ordering::Acquire) { serving.await } else { Ok(()) }
            }
        }
    };
    let removed = directory.close().map_err(DemoError::Removal);
    outcome.and(removed)
}

async fn fill_and_serve(listen: SocketAddr, directory: &Path, announced: &AtomicBool) -> Result<(), DemoError> {
    let listener = bind(listen).await?;
    let path = directory.join("demo.sqlite");
    let store = Store::connect(&path.to_string_lossy(), Options::default()).await?;
    store.migrate().await?;
    let portfolio = portfolio::record(&service::app(&store).recorder).await?;
    let announce = |address: &str| {
        announced.store(true, Ordering::Release);
        app::print_address(address);
        // A closed standard output is no reason not to serve.
        let mut output = std::io::stdout().lock();
        let _ = output.write_all(guide::text(address, &portfolio).as_bytes()).and_then(|()| output.flush());
    };
    app::serve(listener, service::start(&store, Auth::Off, &Push::default())?, announce).await?;
    store.close().await;
    Ok(())
}

/// Opens the socket, on a free port if the wanted one is taken: whoever tries a demonstration has no port to defend.
async fn bind(listen: SocketAddr) -> Result<TcpListener, RunError> {
    match app::bind(listen).await {
        Err(RunError::Listen(_, error)) if error.kind() == ErrorKind::AddrInUse => {
            let _ = writeln!(std::io::stderr(), "parwright: {listen} is in use; taking a free port instead");
            app::bind(SocketAddr::new(listen.ip(), 0)).await
        }
        bound => bound,
    }
}

/// SIGTERM or SIGINT. The handlers are in place when this returns.
#[cfg(unix)]
fn stop_signal() -> Result<impl Future<Output = ()>, RunError> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).map_err(RunError::Signals)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(RunError::Signals)?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}

#[cfg(not(unix))]
fn stop_signal() -> Result<impl Future<Output = ()>, RunError> {
    Ok(async {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    })
}
