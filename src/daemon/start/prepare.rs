//! The steps of the start, in their order: the journal, the recent past, the lots, the
//! record thread, and what outlets look at.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicU32;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, watch};

use super::{DaemonError, Setup};
use crate::config::dairy::Config;
use crate::daemon::admission::Admission;
use crate::daemon::audit;
use crate::daemon::clock::Clock;
use crate::daemon::free_space::FreeSpace;
use crate::daemon::heard::Before;
use crate::daemon::input::Input;
use crate::daemon::kettle_files;
use crate::daemon::lot_desk::LotDesk;
use crate::daemon::outlet::{Commands, Feed, Leaving, NEWS_QUEUED, News, Snapshot};
use crate::daemon::recorder::{Desk, Recorder, Report};
use crate::daemon::resume::{Past, resume};
use crate::daemon::sources::Sources;
use crate::daemon::store_watch::StoreWatch;
use crate::daemon::trust::Trust;
use crate::engine::Engine;
use crate::journal::recover::{Recovered, put_aside};
use crate::journal::{Journal, Settings};
use crate::lot::at::At;

/// The journal, back to its last whole group; what is amiss is said.
pub(super) fn recovered(setup: &Setup) -> Result<(Journal, Recovered), DaemonError> {
    let Setup { config, clock, .. } = setup;
    let settings = Settings {
        group_lines: config.journal.readings,
        group_ns: (config.journal.seconds * 1e9) as u64,
        ..Settings::default()
    };
    let boot_id = clock.boot_id().unwrap_or_else(|| format!("run-{}", clock.now().wall_ns));
    let (journal, found) = Journal::open(setup.storage.clone(), &journal_of(config), settings, &boot_id)?;
    if let Some(cut) = &found.cut {
        tracing::warn!("{cut}");
    }
    for damage in &found.damage {
        tracing::error!("{damage}");
    }
    Ok((journal, found))
}

fn journal_of(config: &Config) -> PathBuf {
    config.data.join("journal")
}

/// Steps the recent past through the engine.
pub(super) fn gone_through(
    setup: &Setup,
    engine: &mut Engine,
    found: &Recovered,
) -> Result<Past, DaemonError> {
    let Setup { config, storage, .. } = setup;
    let dir = journal_of(config);
    teach(engine, config);
    let past = resume(engine, storage, &dir, config.look_back_ns())?;
    let more: Vec<_> = past.damage.iter().filter(|d| !found.damage.contains(d)).cloned().collect();
    put_aside(&**storage, &dir, &more);
    for damage in &more {
        tracing::error!("{damage}");
    }
    let known = found.damage.iter().chain(&more).cloned().collect();
    audit::begin(storage.clone(), dir, known);
    // The past taught once more what the kettles' files hold already.
    teach(engine, config);
    if past.lines > 0 {
        tracing::info!("went through {} lines of the recent past", past.lines);
    }
    Ok(past)
}

/// The lots, with what the recent past left undone.
pub(super) fn caught_up(setup: &Setup, past: &Past) -> Result<LotDesk, DaemonError> {
    let mut lots = LotDesk::open(setup.storage.clone(), &setup.config, past.plans())?;
    let turns: Vec<_> = past.turns.values().cloned().collect();
    for news in lots.catch_up(&turns, At(setup.clock.now().wall_ns)) {
        tracing::info!("lot {} {}", news.id, if news.closed { "closed" } else { "opened" });
    }
    Ok(lots)
}

/// The frames of boxes that are on disk already, by this boot's clock.
pub(super) fn frames_before(past: &mut Past, boot: u32, clock: &Clock) -> Before {
    let now = clock.now();
    let sure = Trust::from(past.newest_wall_ns, now).is_sure();
    std::mem::take(&mut past.frames).as_of(boot, sure.then(|| now.offset_ns()))
}

/// Starts the record thread; it, and where its reports come.
pub(super) fn recorder(
    setup: &Setup,
    journal: Journal,
    lots: LotDesk,
    inputs: mpsc::Sender<Input>,
) -> Result<(Recorder, mpsc::UnboundedReceiver<Report>), DaemonError> {
    let Setup { config, clock, storage, .. } = setup;
    let (reports, told) = mpsc::unbounded_channel();
    let free = FreeSpace::of(storage.clone(), &journal_of(config), config.journal.warn_free_percent);
    let recorder = Recorder::start(Desk { journal, lots, free, reports, inputs }, clock.clone())
        .map_err(|source| DaemonError::Data { path: config.data.clone(), source })?;
    Ok((recorder, told))
}

pub(super) fn admission(config: &Config, past: &Past, engine: &Engine) -> Admission {
    let most = usize::try_from(config.most_probes).unwrap_or(usize::MAX);
    let kettles = engine.view().kettles.into_iter().map(|k| k.kettle).collect();
    Admission::of(most, past.probes.clone(), kettles)
}

pub(super) fn store_watch(setup: &Setup, found: &Recovered) -> StoreWatch {
    let group = Duration::from_secs_f64(setup.config.journal.seconds / setup.clock.speed());
    let mut watch = StoreWatch::new(group).at_most(setup.most_waiting);
    if let Some(why) = &found.read_only {
        watch.said(false, why.clone());
    }
    watch
}

/// Where the runner puts what outlets and sources look at.
pub(super) struct FeedEnds {
    pub(super) news: broadcast::Sender<Arc<News>>,
    pub(super) snapshot: watch::Sender<Arc<Snapshot>>,
    pub(super) taken: watch::Sender<u64>,
    pub(super) leaving: Leaving,
    pub(super) in_hand: Arc<AtomicU32>,
}

impl FeedEnds {
    pub(super) fn new(first: Snapshot, in_hand: Arc<AtomicU32>) -> Self {
        Self {
            news: broadcast::channel(NEWS_QUEUED).0,
            snapshot: watch::Sender::new(Arc::new(first)),
            taken: watch::Sender::new(0),
            leaving: Leaving::default(),
            in_hand,
        }
    }

    pub(super) fn feed(&self, inputs: &mpsc::Sender<Input>, clock: &Clock) -> Feed {
        Feed {
            news: self.news.clone(),
            snapshot: self.snapshot.subscribe(),
            taken: self.taken.subscribe(),
            commands: Commands::into(inputs.clone()).at(clock.speed()).counting(self.in_hand.clone()),
            leaving: self.leaving.clone(),
        }
    }
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

pub(super) fn first_snapshot(past: &Past, clock: &Clock, sources: &Sources) -> Snapshot {
    let mut shown = Snapshot {
        wall_ns: clock.now().wall_ns,
        offset_ns: clock.now().offset_ns(),
        plans: past.plans(),
        sources: sources.seen(),
        ..Snapshot::default()
    };
    past.marks.iter().for_each(|(wall_ns, mark)| shown.mark(*wall_ns, mark.clone()));
    shown
}
