//! The running service: its log, its socket, and its end.

use std::error::Error;
use std::io::Write;
use std::net::SocketAddr;
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tracing_subscriber::EnvFilter;

use crate::accept::accept;
use crate::cli::{Cli, Command, Log, LogFormat};
use crate::delivery::Courier;
use crate::http::system;
use crate::service::Started;

/// How long requests may go on after the service was told to stop.
const DRAIN: Duration = Duration::from_secs(25);

/// Why the service could not start or go on. Its message with those of its sources is the one line that is printed.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    #[error("the log filter {0:?} is not one")]
    LogFilter(String, #[source] tracing_subscriber::filter::ParseError),
    #[error("cannot start the runtime")]
    Runtime(#[source] std::io::Error),
    #[error("cannot listen on {0}")]
    Listen(SocketAddr, #[source] std::io::Error),
    #[error("cannot wait for signals")]
    Signals(#[source] std::io::Error),
    #[error("serving failed")]
    Serve(#[source] std::io::Error),
}

/// Reads the command line, sets up the log and the runtime, and carries out the command with `run`.
///
/// An error is one line on standard error and exit status 1; a command line that cannot be read is exit status 2.
pub fn main<F, E>(run: impl FnOnce(Command) -> F) -> ExitCode
where
    F: Future<Output = Result<(), E>>,
    E: Into<Box<dyn Error>>,
{
    use_small_pages();
    let Cli { log, command } = Cli::parse();
    let outcome = start_log(&log).and_then(|()| runtime()).map_err(Into::into);
    let outcome = outcome.and_then(|runtime| {
        let outcome = runtime.block_on(run(command)).map_err(Into::into);
        // What is still running then had its time to finish; waiting on could be for ever.
        runtime.shutdown_timeout(Duration::from_secs(5));
        outcome
    });
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let error: Box<dyn Error> = error;
            // Standard error may be closed; there is nobody left to tell then.
            let _ = writeln!(std::io::stderr(), "parwright: {}", chain(error.as_ref()));
            ExitCode::FAILURE
        }
    }
}

/// Has the kernel give this process no memory in pages of 2 MB, for which the allocator asks and which some systems give to all. With them
/// the same books took 50 MB more; what they made faster were reads on SQLite, by some per cent.
pub fn use_small_pages() {
    // A kernel that has none refuses, and all is well.
    #[cfg(target_os = "linux")]
    let _ = rustix::thread::disable_transparent_huge_pages(true);
}

/// An error and its sources in one line.
pub fn chain(error: &dyn Error) -> String {
    let mut line = error.to_string();
    let mut next = error.source();
    while let Some(source) = next {
        // Some libraries repeat the source in the message of the error above it.
        let text = source.to_string();
        if !line.ends_with(&text) {
            line = format!("{line}: {text}");
        }
        next = source.source();
    }
    line.replace('\n', " ")
}

fn runtime() -> Result<tokio::runtime::Runtime, RunError> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(RunError::Runtime)
}

/// The log goes to standard error; standard output is for what was asked for.
fn start_log(log: &Log) -> Result<(), RunError> {
    let filter: EnvFilter = log.log.parse().map_err(|error| RunError::LogFilter(log.log.clone(), error))?;
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // A second start in one process, as in tests, keeps the first log.
    let _ = match log.log_format {
        LogFormat::Text => builder.with_ansi(false).try_init(),
        LogFormat::Json => builder.json().flatten_event(true).try_init(),
    };
    std::panic::set_hook(Box::new(|panic| {
        let place = panic.location().map(ToString::to_string);
        tracing::error!(place, reason = panic.payload_as_str(), "panic");
    }));
    Ok(())
}

/// Opens the socket.
pub async fn bind(address: SocketAddr) -> Result<TcpListener, RunError> {
    TcpListener::bind(address).await.map_err(|error| RunError::Listen(address, error))
}

/// The address of a listening service, for whoever is on this machine.
pub fn address(listener: &TcpListener) -> Result<String, RunError> {
    listener.local_addr().map(|address| format!("http://{address}")).map_err(RunError::Serve)
}

/// The one line on standard output that says where the service is. It is for [`serve`]'s `announce`.
pub fn print_address(address: &str) {
    // A closed standard output is no reason not to serve.
    let _ = writeln!(std::io::stdout(), "{address}").and_then(|()| std::io::stdout().flush());
}

/// Serves until SIGTERM or SIGINT, then lets what is in progress finish for a while, deliveries too. Requests that wait are answered.
///
/// `announce` is called once, with the address, when requests are accepted.
pub async fn serve(listener: TcpListener, started: Started, announce: impl FnOnce(&str)) -> Result<(), RunError> {
    let Started { router, courier, stop: ending } = started;
    let address = address(&listener)?;
    // The handlers are in place before anybody learns the address, so that no early signal kills without draining.
    let stop = stop_signal()?;
    let (told, stopping) = oneshot::channel();
    let stopper = courier.as_ref().map(Courier::stopper);
    let drained = async move {
        stop.await;
        tracing::info!("stopping: finishing what is in progress");
        ending.begin();
        if let Some(courier) = stopper {
            courier.stop();
        }
        // The receiver is gone only when serving ended by itself.
        let _ = told.send(());
    };
    let serving = async {
        accept(listener, router, drained).await;
        if let Some(courier) = courier {
            courier.ended().await;
        }
    };
    let upkeep = tokio::spawn(system::upkeep());
    tracing::info!(address, "serving");
    announce(&address);
    tokio::select! {
        () = serving => {}
        () = deadline(stopping) => tracing::warn!("some requests or deliveries did not finish in time and were cut off"),
    }
    upkeep.abort();
    tracing::info!("stopped");
    Ok(())
}

async fn deadline(stopping: oneshot::Receiver<()>) {
    match stopping.await {
        Ok(()) => tokio::time::sleep(DRAIN).await,
        Err(_) => std::future::pending().await,
    }
}

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
