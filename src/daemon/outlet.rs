//! The seam for everything that shows, sounds or publishes.
//!
//! An outlet is one file behind [`Outlet`]. It gets a [`Feed`]: a broadcast of
//! what was concluded, a snapshot to look at whenever it likes, and
//! [`Commands`] to send what a person asks. A slow outlet loses news
//! ([`broadcast::error::RecvError::Lagged`]); it never holds up the engine.

use std::collections::BTreeMap;
use std::future::Future;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::AtomicU32;
use std::time::Duration;

use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::alerts::{self, Board};
use super::input::{Fate, Incoming, Input, Receipt, Taken};
use super::page::Page;
use super::terminal::Terminal;
use crate::config::dairy::Config;
use crate::engine::effect::{Effect, WallNs};
use crate::engine::event::{Command, Mark, Name};
use crate::engine::plan::Plan;
use crate::engine::view::View;
use crate::words::Words;

/// How many news a slow outlet may be behind before it loses the oldest.
pub const NEWS_QUEUED: usize = 1024;

/// How long a person's mark or command may take to reach the disk before its
/// sender is told that it was taken but is not kept yet.
pub const KEPT_WITHIN: Duration = Duration::from_secs(5);

/// One thing worth telling.
#[derive(Debug, Clone, PartialEq)]
pub enum News {
    /// The engine concluded something.
    Effect(Effect),
    /// A person marked a moment, with its wall time.
    Marked(Mark, WallNs),
    /// A lot was opened or closed.
    Lot(LotNews),
}

/// A lot was opened or closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotNews {
    /// The kettle it is made in.
    pub kettle: Name,
    /// Its id.
    pub id: String,
    /// Its folder.
    pub folder: PathBuf,
    /// Closed and sealed (`true`), or opened.
    pub closed: bool,
}

/// So many marks of a kettle's make are shown: without a make they would become ever
/// more, and a snapshot is copied each second. The record has them all.
pub const MOST_MARKS: usize = 200;

/// What there is to look at: the engine's view and the shell's own facts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Snapshot {
    /// What the engine knows.
    pub view: View,
    /// Wall time of the snapshot, nanoseconds since 1970, as the machine
    /// believes it.
    pub wall_ns: WallNs,
    /// Wall minus monotonic time, nanoseconds: another one since the clock was set.
    pub offset_ns: i64,
    /// Whether that wall clock may be trusted.
    pub clock_sure: bool,
    /// The plan followed on a kettle.
    pub plans: BTreeMap<Name, Arc<Plan>>,
    /// Marks of each kettle's running make, with their wall time, in the order
    /// they were made.
    pub marks: Vec<(WallNs, Mark)>,
    /// The sources.
    pub sources: Vec<SourceSeen>,
    /// Why readings are not being kept, where they are not.
    pub store_trouble: Option<String>,
    /// The lot that is open on a kettle.
    pub open_lots: BTreeMap<Name, String>,
    /// Readings taken in since the start.
    pub readings: u64,
    /// Readings known to be synced since the start.
    pub readings_kept: u64,
}

impl Snapshot {
    /// A person marked a moment: of each kettle the newest [`MOST_MARKS`] are shown.
    pub fn mark(&mut self, wall_ns: WallNs, mark: Mark) {
        let mut of_kettle =
            self.marks.iter().enumerate().filter(|(_, (_, m))| m.kettle == mark.kettle).map(|(n, _)| n);
        let oldest = of_kettle.next();
        let others = of_kettle.count();
        if let Some(oldest) = oldest.filter(|_| others + 1 >= MOST_MARKS) {
            self.marks.remove(oldest);
        }
        self.marks.push((wall_ns, mark));
    }

    /// A lot was opened or closed.
    pub fn note(&mut self, lot: &LotNews) {
        if !lot.closed {
            self.open_lots.insert(lot.kettle.clone(), lot.id.clone());
        } else if self.open_lots.get(&lot.kettle) == Some(&lot.id) {
            self.open_lots.remove(&lot.kettle);
        }
    }
}

/// A mark that begins a make comes at most so long before the make is told: rennet is
/// stirred in before the milk stands. Nanoseconds.
const BEGINS_WITHIN_NS: i64 = 300_000_000_000;

/// A make began: the marks of the one before it are no longer shown, but what began this one
/// is.
pub fn make_began(marks: &mut Vec<(WallNs, Mark)>, kettle: &Name, began_ns: WallNs) {
    marks.retain(|(at_ns, mark)| mark.kettle != *kettle || *at_ns >= began_ns - BEGINS_WITHIN_NS);
}

/// One source as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceSeen {
    /// Its name as configured.
    pub name: Name,
    /// Whether it is there now.
    pub up: bool,
    /// What was counted since the start: name (snake_case), what it counts,
    /// value.
    pub counted: Vec<(&'static str, &'static str, u64)>,
}

/// What an outlet gets. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Feed {
    /// Subscribe here for news as they happen.
    pub news: broadcast::Sender<Arc<News>>,
    /// The latest snapshot; changes at least once a second of the daemon's
    /// clock.
    pub snapshot: watch::Receiver<Arc<Snapshot>>,
    /// Readings taken in since the start, told at once: a rehearsal steps by
    /// it.
    pub taken: watch::Receiver<u64>,
    /// Where a person's marks and commands go.
    pub commands: Commands,
    /// What is to be done before the daemon ends.
    pub leaving: Leaving,
}

/// What outlets still pass on to a daemon that is told to stop, while it still takes
/// it in. Cheap to clone.
#[derive(Debug, Clone, Default)]
pub struct Leaving {
    told: CancellationToken,
    errands: TaskTracker,
}

impl Leaving {
    /// Does this when the daemon is told to stop. Call it within a runtime.
    pub fn before_the_end(&self, errand: impl Future<Output = ()> + Send + 'static) {
        let told = self.told.clone();
        self.errands.spawn(async move {
            told.cancelled().await;
            errand.await;
        });
    }

    /// The daemon stops: all of it is done now, or given up after `within`.
    pub async fn all_done(&self, within: Duration) {
        self.told.cancel();
        self.errands.close();
        if tokio::time::timeout(within, self.errands.wait()).await.is_err() {
            tracing::warn!("what was to be passed on before the end could not all be");
        }
    }
}

/// Where a person's marks and commands go in. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Commands {
    inputs: mpsc::Sender<Input>,
    /// So many marks are on their way: no lot is closed before them.
    in_hand: Arc<AtomicU32>,
    /// How many times faster than the world the daemon's clock runs.
    speed: f64,
}

/// A mark or command did not get where it should.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// The daemon is stopping.
    #[error("the daemon is stopping; send it again when it runs")]
    Stopping,
    /// It cannot be done.
    #[error("it was not done; the log says why")]
    Refused,
    /// Taken in and acted on, but not on disk within [`KEPT_WITHIN`].
    #[error("taken in, but not on disk yet; look at the store alarm")]
    NotKeptYet,
}

impl Commands {
    /// Commands that go into `inputs`.
    pub fn into(inputs: mpsc::Sender<Input>) -> Self {
        Self { inputs, in_hand: Arc::default(), speed: 1.0 }
    }

    /// The same of a daemon whose clock runs at that speed.
    #[must_use]
    pub fn at(self, speed: f64) -> Self {
        Self { speed, ..self }
    }

    /// The same, where marks on their way are counted in `in_hand`.
    #[must_use]
    pub fn counting(self, in_hand: Arc<AtomicU32>) -> Self {
        Self { in_hand, ..self }
    }

    /// Counts the marks that are on their way: what holds one back adds itself.
    pub fn in_hand(&self) -> Arc<AtomicU32> {
        Arc::clone(&self.in_hand)
    }

    /// A person marks a moment; returns when it is on disk.
    ///
    /// # Errors
    /// [`CommandError`] where the daemon stops or the disk does not take it.
    pub async fn mark(&self, mark: Mark) -> Result<(), CommandError> {
        self.mark_ago(mark, Duration::ZERO).await
    }

    /// A person marked a moment so long ago, by the world's time; returns when it is on
    /// disk.
    ///
    /// # Errors
    /// As [`Commands::mark`].
    pub async fn mark_ago(&self, mark: Mark, ago: Duration) -> Result<(), CommandError> {
        let ago_ns = u64::try_from(ago.mul_f64(self.speed).as_nanos()).unwrap_or(u64::MAX);
        self.send(Input { taken: Taken::Ago(ago_ns), ..Input::of(Incoming::Mark(mark)) }).await
    }

    /// A person asks for something; returns when it is on disk.
    ///
    /// # Errors
    /// As [`Commands::mark`].
    pub async fn command(&self, command: Command) -> Result<(), CommandError> {
        self.send(Input::of(Incoming::Command(command))).await
    }

    async fn send(&self, input: Input) -> Result<(), CommandError> {
        let (tx, rx) = oneshot::channel();
        // Who asked may have gone away meanwhile; it is kept all the same.
        let receipt = Receipt::new(move |fate| {
            let _ = tx.send(fate);
        });
        self.inputs
            .send(Input { receipt: Some(receipt), ..input })
            .await
            .map_err(|_| CommandError::Stopping)?;
        match tokio::time::timeout(KEPT_WITHIN, rx).await {
            Ok(Ok(Fate::Kept)) => Ok(()),
            Ok(Ok(Fate::Dropped) | Err(_)) => Err(CommandError::Refused),
            Err(_) => Err(CommandError::NotKeptYet),
        }
    }
}

/// Why an outlet ended by itself. It ends the process: the supervisor starts
/// it again.
pub type OutletError = Box<dyn std::error::Error + Send + Sync>;

/// A running outlet.
pub type Running = Pin<Box<dyn Future<Output = Result<(), OutletError>> + Send>>;

/// Something that shows, sounds or publishes.
pub trait Outlet: Send {
    /// Its name, for the log.
    fn name(&self) -> String;

    /// Runs until `stop` is cancelled. Trouble at the other end is its own to
    /// retry; an error returned ends the process.
    fn run(self: Box<Self>, feed: Feed, stop: CancellationToken) -> Running;
}

/// The outlets that the configuration names.
pub fn configured(config: &Config) -> Vec<Box<dyn Outlet>> {
    let mut outlets: Vec<Box<dyn Outlet>> = Vec::new();
    if config.terminal {
        outlets.push(Box::new(Terminal::of(&config.time_zone, Words::of(&config.language))));
    }
    let board = Arc::new(Board::default());
    outlets.extend(alerts::configured(config, &board));
    if let Some(page) = Page::configured(config, board) {
        outlets.push(Box::new(page));
    }
    outlets
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::MarkKind;

    #[tokio::test(flavor = "current_thread")]
    async fn a_mark_returns_when_it_is_kept_and_not_before() {
        let (tx, mut rx) = mpsc::channel(4);
        let commands = Commands::into(tx);
        let mark = Mark { kettle: Name::from("big"), kind: MarkKind::Rennet, by: None };
        let sent = tokio::spawn(async move { commands.mark(mark).await });
        let input = rx.recv().await.unwrap();
        tokio::task::yield_now().await;
        assert!(!sent.is_finished());
        input.receipt.unwrap().kept();
        assert_eq!(sent.await.unwrap(), Ok(()));
    }

    /// Without a make that begins they became ever more, copied each second.
    #[test]
    fn of_each_kettle_the_newest_marks_are_shown() {
        let mut shown = Snapshot::default();
        let mark = |kettle: &str| Mark { kettle: Name::from(kettle), kind: MarkKind::Cut, by: None };
        shown.mark(-1, mark("small"));
        let many = 3 * i64::try_from(MOST_MARKS).unwrap();
        (0..many).for_each(|n| shown.mark(n, mark("big")));
        let of = |kettle: &str| shown.marks.iter().filter(|m| &*m.1.kettle == kettle).map(|m| m.0).collect();
        let (big, small): (Vec<_>, Vec<_>) = (of("big"), of("small"));
        assert_eq!(
            (big.len(), big.first(), big.last()),
            (MOST_MARKS, Some(&(2 * many / 3)), Some(&(many - 1)))
        );
        assert_eq!(small, [-1]);
    }

    #[tokio::test(flavor = "current_thread")]
    async fn a_stopping_daemon_says_so() {
        let (tx, rx) = mpsc::channel(4);
        drop(rx);
        let commands = Commands::into(tx);
        let mark = Mark { kettle: Name::from("big"), kind: MarkKind::Rennet, by: None };
        assert_eq!(commands.mark(mark).await, Err(CommandError::Stopping));
    }
}
