//! A daemon running in a thread of the test, or as a process of its own.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::io::Read as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use curdtrace::config::dairy;
use curdtrace::config::dairy::Config;
use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::outlet::{Feed, Snapshot};
use curdtrace::daemon::{Daemon, DaemonError, Setup};
use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::storage::Disk;
use tokio_util::sync::CancellationToken;

/// Waits until `done`, at most `span` of the world's time.
pub fn wait_for(span: Duration, mut done: impl FnMut() -> bool) -> bool {
    let until = Instant::now() + span;
    while Instant::now() < until {
        if done() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    done()
}

/// The configuration in a folder's `c.toml`, written there first.
pub fn config(folder: &Path, text: &str) -> Config {
    let path = folder.join("c.toml");
    std::fs::write(&path, text).unwrap();
    let mut config = dairy::read(&path).unwrap_or_else(|f| panic!("{f:#?}"));
    config.terminal = false;
    config
}

/// A daemon in a thread of the test.
pub struct House {
    pub feed: Feed,
    stop: CancellationToken,
    thread: Option<JoinHandle<Result<(), DaemonError>>>,
}

impl House {
    pub fn open(config: Config, clock: Clock) -> Self {
        Self::with(Setup::of(config, clock))
    }

    pub fn with(setup: Setup) -> Self {
        let (tx, rx) = mpsc::channel();
        let stop = CancellationToken::new();
        let told = stop.clone();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async move {
                let daemon = Daemon::prepare(setup)?;
                tx.send(daemon.feed()).unwrap();
                daemon.run(told).await
            })
        });
        let feed = rx.recv().unwrap_or_else(|_| panic!("the daemon did not start"));
        Self { feed, stop, thread: Some(thread) }
    }

    pub fn shown(&self) -> Arc<Snapshot> {
        self.feed.snapshot.borrow().clone()
    }

    /// Readings taken in so far.
    pub fn taken(&self) -> u64 {
        *self.feed.taken.borrow()
    }

    /// Whether the source is there.
    pub fn is_up(&self, source: &str) -> bool {
        self.shown().sources.iter().any(|s| &*s.name == source && s.up)
    }

    /// What a source counted.
    pub fn counted(&self, source: &str, what: &str) -> u64 {
        let shown = self.shown();
        let of = shown.sources.iter().find(|s| &*s.name == source).unwrap();
        of.counted.iter().find(|c| c.0 == what).unwrap().2
    }

    /// Waits until it ends by itself.
    pub fn ended(mut self, span: Duration) -> Result<(), DaemonError> {
        let thread = self.thread.take().unwrap();
        assert!(wait_for(span, || thread.is_finished()), "it did not end by itself");
        thread.join().unwrap()
    }

    /// Ends the daemon; everything received is on disk then.
    pub fn close(mut self) -> Result<(), DaemonError> {
        self.stop.cancel();
        self.thread.take().unwrap().join().unwrap()
    }
}

/// Every journal line below a data folder, in order.
pub fn journal(data: &Path) -> Vec<String> {
    let mut replay = Replay::open(Arc::new(Disk), &data.join("journal"), Span::default()).unwrap();
    let mut lines = Vec::new();
    while let Some((_, line)) = replay.next_line().unwrap() {
        lines.push(line.to_string());
    }
    lines
}

/// The program as a process of its own.
pub struct Process {
    child: Child,
}

impl Process {
    /// Starts `curdtrace run` on the configuration in `folder`.
    pub fn run(folder: &Path) -> Self {
        Self::started(folder, Command::new(crate::program()))
    }

    /// As [`Process::run`], with SIGHUP ignored as `nohup` does.
    pub fn run_beyond_the_terminal(folder: &Path) -> Self {
        let mut shell = Command::new("sh");
        shell.args(["-c", "trap '' HUP; exec \"$0\" \"$@\""]).arg(crate::program());
        Self::started(folder, shell)
    }

    fn started(folder: &Path, mut program: Command) -> Self {
        let child = program
            .args(["run", "--config", "c.toml"])
            .current_dir(folder)
            .env_remove("CURDTRACE_DATA")
            .env_remove("NOTIFY_SOCKET")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        Self { child }
    }

    /// SIGKILL: nothing is put in order.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// The process's number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends a signal.
    pub fn signal(&self, signal: rustix::process::Signal) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, signal).unwrap();
    }

    /// SIGTERM; its exit code, what it said, and how long it took.
    pub fn terminate(mut self) -> (Option<i32>, String, Duration) {
        let began = Instant::now();
        self.signal(rustix::process::Signal::TERM);
        let status = self.child.wait().unwrap();
        let took = began.elapsed();
        let mut said = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        (status.code(), said, took)
    }

    /// Waits until it ends by itself.
    pub fn waited(mut self) -> (Option<i32>, String, Duration) {
        let began = Instant::now();
        let status = self.child.wait().unwrap();
        let mut said = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        (status.code(), said, began.elapsed())
    }

    /// Its exit code, where it has ended.
    pub fn ended(&mut self) -> Option<i32> {
        self.child.try_wait().unwrap().and_then(|s| s.code())
    }
}

impl Drop for House {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}
