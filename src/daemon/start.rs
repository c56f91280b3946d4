//! The daemon put together: what starts, in which order, and what ends it.
//!
//! Order at the start: lock the data folder, recover the journal, step the
//! recent past through the engine, then the record thread, the runner, the
//! outlets, and the sources last. At the end the other way round: sources
//! first, so that everything received is taken and synced.
//!
//! Invariant: a task that ends by itself ends the daemon with an error.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::admission::Admission;
use super::clock::Clock;
use super::free_space::FreeSpace;
use super::input::{Incoming, Input};
use super::kettle_files;
use super::lot_desk::LotDesk;
use super::outlet::{Commands, Feed, NEWS_QUEUED, Outlet, OutletError, Snapshot};
use super::recorder::{Desk, Recorder};
use super::resume::{Past, resume};
use super::runner::{RunError, Runner};
use super::sources::Sources;
use super::store_watch::{MOST_WAITING, StoreWatch};
use super::trust::Trust;
use crate::config::dairy::Config;
use crate::engine::Engine;
use crate::engine::event::{Ask, Command, Name};
use crate::journal::recover::put_aside;
use crate::journal::storage::{Disk, Storage};
use crate::journal::{Journal, JournalError, Settings};
use crate::lot::at::At;
use crate::lot::hold::Hold;
use crate::lot::store::LotError;

/// How many inputs may wait for the runner before a source has to.
const INPUTS_QUEUED: usize = 4096;

/// How long outlets have to end by themselves.
const OUTLETS_END_WITHIN: Duration = Duration::from_millis(500);

/// How long sources have to end by themselves.
const SOURCES_END_WITHIN: Duration = Duration::from_millis(700);

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
        let Setup { config, clock, .. } = &setup;
        let hold = hold(&config.data)?;
        let dir = config.data.join("journal");
        let storage = setup.storage.clone();
        let settings = Settings {
            group_lines: config.journal.readings,
            group_ns: (config.journal.seconds * 1e9) as u64,
            ..Settings::default()
        };
        let boot_id = clock.boot_id().unwrap_or_else(|| format!("run-{}", clock.now().wall_ns));
        let (journal, found) = Journal::open(storage.clone(), &dir, settings, &boot_id)?;
        if let Some(cut) = &found.cut {
            tracing::warn!(
                "the journal ended in the middle of a group; {} bytes of {} are set aside",
                cut.bytes,
                cut.file
            );
        }
        for damage in &found.damage {
            tracing::error!("{damage}");
        }
        let mut engine = Engine::new(None);
        teach(&mut engine, config);
        let look_back_ns = (config.look_back_hours * 3.6e12) as i64;
        let mut past = resume(&mut engine, &storage, &dir, look_back_ns)?;
        let more: Vec<_> = past.damage.iter().filter(|d| !found.damage.contains(d)).cloned().collect();
        put_aside(&*storage, &dir, &more);
        for damage in &more {
            tracing::error!("{damage}");
        }
        // The past taught once more what the kettles' files hold already.
        teach(&mut engine, config);
        if past.lines > 0 {
            tracing::info!("went through {} lines of the recent past", past.lines);
        }
        let (inputs, taken) = mpsc::channel(INPUTS_QUEUED);
        let (reports_in, reports) = mpsc::unbounded_channel();
        let mut lots = LotDesk::open(storage.clone(), config, past.plans())?;
        let turns: Vec<_> = past.turns.values().cloned().collect();
        for news in lots.catch_up(&turns, At(clock.now().wall_ns)) {
            tracing::info!("lot {} {}", news.id, if news.closed { "closed" } else { "opened" });
        }
        let open_lots = lots.open_lots();
        let desk = Desk {
            free: FreeSpace::of(storage.clone(), &dir, config.journal.warn_free_percent),
            journal,
            lots,
            reports: reports_in,
            inputs: inputs.clone(),
        };
        let recorder = Recorder::start(desk, clock.clone())
            .map_err(|source| DaemonError::Data { path: config.data.clone(), source })?;
        let now = clock.now();
        let sure = Trust::from(past.newest_wall_ns, now).is_sure();
        let before = std::mem::take(&mut past.frames).as_of(found.boot, sure.then(|| now.offset_ns()));
        let sources = Sources::of(config).knowing(before);
        let first = Snapshot { open_lots, ..first_snapshot(&past, clock, &sources) };
        let snapshot = watch::Sender::new(Arc::new(first));
        let count = watch::Sender::new(0);
        let (news, _) = broadcast::channel(NEWS_QUEUED);
        let feed = Feed {
            news: news.clone(),
            snapshot: snapshot.subscribe(),
            taken: count.subscribe(),
            commands: Commands::into(inputs.clone()),
        };
        let most = usize::try_from(config.most_probes).unwrap_or(usize::MAX);
        let kettles = engine.view().kettles.into_iter().map(|k| k.kettle).collect();
        let admission = Admission::of(most, past.probes.clone(), kettles);
        let group = Duration::from_secs_f64(config.journal.seconds / clock.speed());
        let runner = Runner {
            engine,
            clock: clock.clone(),
            boot: found.boot,
            newest_wall_ns: past.newest_wall_ns,
            begun: past.lines > 0,
            standing: past.standing.clone(),
            look_back_ns: look_back_ns.unsigned_abs(),
            inputs: taken,
            reports,
            recorder,
            news,
            snapshot,
            taken: count,
            tallies: sources.tallies(),
            admission,
            store: StoreWatch::new(group).at_most(setup.most_waiting),
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
    Hold::take(data).map_err(fault)?.ok_or_else(|| DaemonError::Taken(data.into()))
}

/// What earlier makes taught of each kettle.
fn teach(engine: &mut Engine, config: &Config) {
    let kept = kettle_files::all(&config.data);
    for damage in &kept.damage {
        tracing::error!("{damage}");
    }
    for (name, learned) in kept.learned {
        engine.teach(&name, learned);
    }
}

fn first_snapshot(past: &Past, clock: &Clock, sources: &Sources) -> Snapshot {
    Snapshot {
        wall_ns: clock.now().wall_ns,
        plans: past.plans(),
        marks: past.marks.clone(),
        sources: sources.seen(),
        ..Snapshot::default()
    }
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
