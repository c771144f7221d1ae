//! Runs the real binary, for what only a process shows: the address line, signals, exit statuses, and what a kill leaves behind.

use std::ffi::OsStr;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// Far beyond what a start or a drain takes on a loaded machine: reaching it is a failure, never a way to wait.
const DEADLINE: Duration = Duration::from_secs(60);

/// A running `parwright`, killed on drop. Its working directory is a fresh one, removed with it.
#[derive(Debug)]
pub struct Process {
    child: Child,
    address: String,
    /// What it writes to standard output after the address. The channel closes when the process ends.
    output: Receiver<String>,
    directory: TempDir,
}

/// How a process ended that was expected to serve.
#[derive(Debug)]
pub struct Exited {
    pub status: ExitStatus,
    pub stderr: String,
}

impl Process {
    /// Starts `parwright serve` on a free port and returns once it accepts requests. `auth` is `on` or `off`.
    #[track_caller]
    pub fn serve(database_url: &str, auth: &str) -> Process {
        Process::start(["serve", "--database-url", database_url, "--listen", "127.0.0.1:0", "--auth", auth])
            .unwrap_or_else(|exited| panic!("parwright did not start: {}\n{}", exited.status, exited.stderr))
    }

    /// Starts `parwright` with any arguments that make it serve, and returns once it has written its address.
    ///
    /// # Errors
    ///
    /// The status and standard error of one that ends without having written it.
    ///
    /// # Panics
    ///
    /// When it neither ends nor writes its address in time, or writes something else first.
    #[track_caller]
    pub fn start<A: AsRef<OsStr>>(arguments: impl IntoIterator<Item = A>) -> Result<Process, Exited> {
        Process::start_with(arguments, &[])
    }

    /// The same with some variables in its environment.
    #[track_caller]
    pub fn start_with<A: AsRef<OsStr>>(
        arguments: impl IntoIterator<Item = A>,
        environment: &[(&str, &str)],
    ) -> Result<Process, Exited> {
        let directory = TempDir::with_prefix("parwright-test-").expect("a temporary directory can be made");
        let log = File::create(directory.path().join("stderr")).expect("a file can be made in it");
        let mut child = command(arguments)
            .envs(environment.iter().copied())
            .current_dir(directory.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .expect("parwright can be run");
        let stdout = BufReader::new(child.stdout.take().expect("standard output is a pipe"));
        let (lines, output) = channel();
        // Read by a thread, because a pipe has no deadline of its own; and to its end, because a full pipe would block the process.
        std::thread::spawn(move || stdout.lines().map_while(Result::ok).try_for_each(|line| lines.send(line)));
        let mut process = Process { child, address: String::new(), output, directory };
        match process.output.recv_timeout(DEADLINE) {
            Ok(line) if line.starts_with("http://") => {
                process.address = line;
                Ok(process)
            }
            Ok(line) => panic!("parwright wrote {line:?} and not its address"),
            Err(RecvTimeoutError::Disconnected) => {
                let status = process.child.wait().expect("a child can be waited for");
                Err(Exited { status, stderr: process.stderr() })
            }
            Err(RecvTimeoutError::Timeout) => panic!("parwright wrote no address in {DEADLINE:?}"),
        }
    }

    /// The line that it wrote: `http://127.0.0.1:PORT`, without a slash at the end.
    pub fn address(&self) -> &str {
        &self.address
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// What it has written to standard error up to now.
    pub fn stderr(&self) -> String {
        std::fs::read(self.directory.path().join("stderr"))
            .map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
            .unwrap_or_default()
    }

    /// SIGKILL: nothing in the process runs any more. Returns when it is gone.
    pub fn kill(&mut self) {
        self.child.kill().expect("a child can be killed");
        self.child.wait().expect("a child can be waited for");
    }

    /// SIGSTOP: holds it wherever it is. Returns when none of its threads runs any more.
    #[track_caller]
    pub fn hold(&self) {
        self.signal("STOP");
        let is_held = || {
            let mut threads = std::fs::read_dir(format!("/proc/{}/task", self.id())).expect("it is there");
            threads.all(|thread| {
                let stat = std::fs::read_to_string(thread.expect("a thread").path().join("stat")).unwrap_or_default();
                // The state stands behind the name, which is in brackets and may hold anything.
                stat.rsplit_once(") ").is_some_and(|(_, state)| state.starts_with('T'))
            })
        };
        assert!((0..1_000_000).any(|_| is_held()), "it goes on after SIGSTOP");
    }

    /// SIGCONT: it goes on as if nothing had been.
    #[track_caller]
    pub fn go_on(&self) {
        self.signal("CONT");
    }

    /// Sends a signal. The standard library sends none but SIGKILL; every shell has `kill` built in. The id cannot have gone to another
    /// process, because this one has not been waited for.
    #[track_caller]
    fn signal(&self, name: &str) {
        let sent = Command::new("sh")
            .args(["-c", "kill -\"$1\" \"$2\"", "sh", name, &self.id().to_string()])
            .status()
            .expect("sh can be run");
        assert!(sent.success(), "SIG{name} could not be sent");
    }

    /// SIGTERM: asks it to drain and to stop. Returns how it ended, and the lines it wrote after its address.
    ///
    /// # Panics
    ///
    /// When it is still there at the deadline.
    #[track_caller]
    pub fn terminate(&mut self) -> (ExitStatus, Vec<String>) {
        self.signal("TERM");
        let deadline = Instant::now() + DEADLINE;
        let mut lines = Vec::new();
        // Its standard output closes when it ends, which can be waited for with a deadline; the end of a child cannot.
        loop {
            match self.output.recv_timeout(deadline.saturating_duration_since(Instant::now())) {
                Ok(line) => lines.push(line),
                Err(RecvTimeoutError::Disconnected) => break,
                Err(RecvTimeoutError::Timeout) => {
                    panic!("parwright did not stop in {DEADLINE:?} after SIGTERM")
                }
            }
        }
        (self.child.wait().expect("a child can be waited for"), lines)
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // Both fail harmlessly when it has ended already.
        self.child.kill().ok();
        self.child.wait().ok();
        if std::thread::panicking() {
            // Shown by the harness with the test that failed.
            eprintln!("standard error of parwright {}:\n{}", self.child.id(), self.stderr());
        }
    }
}

/// Runs `parwright` to its end, for the subcommands that have one. Its working directory is a fresh one.
pub fn run<A: AsRef<OsStr>>(arguments: impl IntoIterator<Item = A>) -> Output {
    let directory = TempDir::with_prefix("parwright-test-").expect("a temporary directory can be made");
    command(arguments).current_dir(directory.path()).stdin(Stdio::null()).output().expect("parwright can be run")
}

/// Starts `parwright` with its standard error in a pipe, for what is told or done to it while it runs.
pub fn spawn<A: AsRef<OsStr>>(arguments: impl IntoIterator<Item = A>) -> Child {
    let piped = command(arguments).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn();
    piped.expect("parwright can be run")
}

/// The binary without the settings of whoever runs the tests.
fn command<A: AsRef<OsStr>>(arguments: impl IntoIterator<Item = A>) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_parwright"));
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("PARWRIGHT_") {
            command.env_remove(name);
        }
    }
    command.args(arguments);
    command
}
