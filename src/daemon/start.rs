//! The daemon put together: what starts, in which order, and what ends it.
//!
//! Order at the start: lock the data folder, recover the journal, step the
//! recent past through the engine, then the record thread, the runner, the
//! outlets, and the sources last. At the end the other way round: sources
//! first, so that everything received is taken and synced.
//!
//! Invariant: a task that ends by itself ends the daemon with an error.

mod prepare;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use prepare::{
    FeedEnds, admission, caught_up, first_snapshot, frames_before, gone_through, recorder, recovered,
    store_watch,
};

use super::clock::Clock;
use super::input::{Incoming, Input};
use super::outlet::{Feed, Outlet, OutletError, Snapshot};
use super::resume::Past;
use super::runner::{RunError, Runner};
use super::sources::Sources;
use super::store_watch::MOST_WAITING;
use crate::config::dairy::Config;
use crate::engine::Engine;
use crate::engine::event::{Ask, Command, Name};
use crate::journal::JournalError;
use crate::journal::storage::{Disk, Storage};
use crate::lot::hold::Hold;
use crate::lot::store::LotError;

/// How many inputs may wait for the runner before a source has to.
const INPUTS_QUEUED: usize = 4096;

/// So often, and with such pauses, a data folder that another holds is tried.
const HOLD_TRIES: u32 = 30;
const HOLD_PAUSE: Duration = Duration::from_millis(50);

/// How long outlets have to end by themselves.
const OUTLETS_END_WITHIN: Duration = Duration::from_millis(500);

/// How long sources have to end by themselves.
const SOURCES_END_WITHIN: Duration = Duration::from_millis(700);

/// How long the marks that still wait on the page have to be taken in.
const LAST_MARKS_WITHIN: Duration = Duration::from_secs(2);

/// What the daemon is given.
pub struct Setup {
    /// Its configuration.
    pub config: Config,
    /// Its clock.
    pub clock: Clock,
    /// Outlets besides those that the configuration names.
    pub outlets: Vec<Box<dyn Outlet>>,
    /// The disk, for the journal and the lots.
    pub storage: Arc<dyn Storage>,
    /// So many readings may wait in memory for a disk that hangs.
    pub most_waiting: u64,
}

impl Setup {
    /// The configuration with a clock and nothing more.
    pub fn of(config: Config, clock: Clock) -> Self {
        Self { config, clock, outlets: Vec::new(), storage: Arc::new(Disk), most_waiting: MOST_WAITING }
    }
}

impl std::fmt::Debug for Setup {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Setup").field("config", &self.config).finish_non_exhaustive()
    }
}

/// Why the daemon does not start, or ended before it was told to.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// Another daemon writes there.
    #[error("another curdtrace already writes to {}; stop it first, or name another folder with --data", .0.display())]
    Taken(PathBuf),
    /// The data folder cannot be used.
    #[error("the data folder {} cannot be used ({source}); check that it is there and may be written", .path.display())]
    Data {
        /// The folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The journal cannot be opened.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The lots cannot be opened.
    #[error(transparent)]
    Lots(#[from] LotError),
    /// The runner ended by itself.
    #[error(transparent)]
    Run(#[from] RunError),
    /// An outlet or a source ended by itself.
    #[error("{name} ended: {why}; the supervisor starts the daemon again")]
    Ended {
        /// Which.
        name: String,
        /// Why.
        why: String,
    },
}

/// A daemon that is ready to run.
#[derive(Debug)]
pub struct Daemon {
    setup: Setup,
    runner: Runner,
    feed: Feed,
    inputs: mpsc::Sender<Input>,
    past: Past,
    sources: Sources,
    /// Held while the daemon runs: one writer a data folder.
    _hold: Hold,
}

/// Prepares the daemon and runs it until `stop` is cancelled.
///
/// # Errors
/// [`DaemonError`].
pub async fn run(setup: Setup, stop: CancellationToken) -> Result<(), DaemonError> {
    Daemon::prepare(setup)?.run(stop).await
}

impl Daemon {
    /// Locks the data folder, recovers the journal, and goes through the
    /// recent past. Call it within a runtime.
    ///
    /// # Errors
    /// [`DaemonError`].
    pub fn prepare(setup: Setup) -> Result<Self, DaemonError> {
        let hold = hold(&setup.config.data)?;
        let (journal, found) = recovered(&setup)?;
        let mut engine = Engine::new(None);
        let mut past = gone_through(&setup, &mut engine, &found)?;
        let lots = caught_up(&setup, &past)?;
        let sources = Sources::of(&setup.config).knowing(frames_before(&mut past, found.boot, &setup.clock));
        let first = Snapshot { open_lots: lots.open_lots(), ..first_snapshot(&past, &setup.clock, &sources) };
        let (inputs, taken) = mpsc::channel(INPUTS_QUEUED);
        let feed_ends = FeedEnds::new(first, lots.marks_in_hand());
        let feed = feed_ends.feed(&inputs, &setup.clock);
        let (recorder, reports) = recorder(&setup, journal, lots, inputs.clone())?;
        let runner = Runner {
            admission: admission(&setup.config, &past, &engine),
            engine,
            clock: setup.clock.clone(),
            boot: found.boot,
            newest_wall_ns: past.newest_wall_ns,
            begun: past.lines > 0,
            standing: past.standing.clone(),
            look_back_ns: setup.config.look_back_ns().unsigned_abs(),
            inputs: taken,
            reports,
            recorder,
            news: feed_ends.news,
            snapshot: feed_ends.snapshot,
            taken: feed_ends.taken,
            tallies: sources.tallies(),
            store: store_watch(&setup, &found),
        };
        Ok(Self { setup, runner, feed, inputs, past, sources, _hold: hold })
    }

    /// What an outlet would get: for who looks on from outside, such as a
    /// rehearsal.
    pub fn feed(&self) -> Feed {
        self.feed.clone()
    }

    /// Runs until `stop` is cancelled; then everything received is synced.
    ///
    /// # Errors
    /// [`DaemonError`]; the process should end with it.
    pub async fn run(self, stop: CancellationToken) -> Result<(), DaemonError> {
        let Self { setup, runner, feed, inputs, past, sources, _hold } = self;
        let Setup { config, clock, outlets, storage: _, most_waiting: _ } = setup;
        let (sources_stop, runner_stop) = (CancellationToken::new(), CancellationToken::new());
        let outlets_stop = CancellationToken::new();
        let mut shown = JoinSet::new();
        for outlet in outlets.into_iter().chain(super::outlet::configured(&config)) {
            let (name, feed, stop) = (outlet.name(), feed.clone(), outlets_stop.clone());
            shown.spawn(async move { (name, outlet.run(feed, stop).await) });
        }
        let mut running = tokio::spawn(runner.run(runner_stop.clone()));
        follow_configured(&inputs, &config, &past).await;
        let mut reading = sources.start(&config, &clock, &inputs, &feed, &sources_stop)?;
        drop(inputs);
        let early = tokio::select! {
            () = stop.cancelled() => None,
            ran = &mut running => return Err(outcome(ran).err().unwrap_or_else(|| untold("the runner"))),
            Some(one) = shown.join_next() => Some(task_ended(one)),
            Some(one) = reading.join_next() => Some(task_ended(one)),
        };
        sources_stop.cancel();
        all_of(&mut reading, SOURCES_END_WITHIN).await;
        feed.leaving.all_done(LAST_MARKS_WITHIN).await;
        runner_stop.cancel();
        let ran = outcome(running.await);
        outlets_stop.cancel();
        all_of(&mut shown, OUTLETS_END_WITHIN).await;
        early.map_or(ran, Err)
    }
}

/// Waits for tasks that were told to end.
async fn all_of<T: 'static>(tasks: &mut JoinSet<T>, within: Duration) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(within, all).await.is_err() {
        tracing::debug!("a task did not end in time");
    }
}

fn outcome(ran: Result<Result<(), RunError>, tokio::task::JoinError>) -> Result<(), DaemonError> {
    match ran {
        Ok(result) => Ok(result?),
        Err(e) => Err(ended("the runner", &e.to_string())),
    }
}

fn task_ended(result: Result<(String, Result<(), OutletError>), tokio::task::JoinError>) -> DaemonError {
    match result {
        Ok((name, Ok(()))) => untold(&name),
        Ok((name, Err(why))) => ended(&name, &why.to_string()),
        Err(e) => ended("a task", &e.to_string()),
    }
}

fn untold(name: &str) -> DaemonError {
    ended(name, "without being told to")
}

fn ended(name: &str, why: &str) -> DaemonError {
    DaemonError::Ended { name: name.into(), why: why.into() }
}

/// One writer a data folder: the right goes with the process, however it ends.
fn hold(data: &Path) -> Result<Hold, DaemonError> {
    let fault = |source| DaemonError::Data { path: data.into(), source };
    // A command that found no daemon does the work itself, and has it for a moment.
    for _ in 0..HOLD_TRIES {
        if let Some(hold) = Hold::take_or_read(data).map_err(fault)? {
            return Ok(hold);
        }
        std::thread::sleep(HOLD_PAUSE);
    }
    Err(DaemonError::Taken(data.into()))
}

async fn follow_configured(inputs: &mpsc::Sender<Input>, config: &Config, past: &Past) {
    for k in &config.kettles {
        let Some(plan) = k.plan.as_ref().filter(|p| past.wants(&k.name, p)) else { continue };
        let ask = Ask::Follow(Some(plan.clone()));
        let command = Command { kettle: Name::clone(&k.name), by: None, ask };
        // A runner that is gone already is seen by who waits for it.
        let _ = inputs.send(Input::of(Incoming::Command(command))).await;
    }
}
