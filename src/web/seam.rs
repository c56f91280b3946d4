//! What the page is given by the daemon, and what it may ask for.
//!
//! Terms: a [`Snapshot`] is what the engine and the shell knew at one moment;
//! an [`Asked`] is one wish of a person with the way back for the answer.
//!
//! Invariants: the page never holds the engine, the journal or a lot open. It
//! sees copies, and asks.
//!
//! Deliberately absent: any way to alter what was recorded.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicU32;
use std::time::Duration;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::Instant;

use crate::engine::effect::WallNs;
use crate::engine::event::{Command, Mark, Name};
use crate::engine::plan::Plan;
use crate::engine::view::View;

/// A counter for `/metrics`: name (snake_case, without prefix or `_total`), what it
/// counts, value.
pub type Counter = (&'static str, &'static str, u64);

/// What is known at one moment.
#[derive(Debug, Clone)]
pub struct Snapshot {
    /// The engine's view, and the dairy's kettles of which nothing was heard yet.
    pub view: View,
    /// When it was taken, on this machine's monotonic clock; every age shown
    /// grows from here.
    pub taken: Instant,
    /// The same by the wall clock, nanoseconds since 1970 UTC, where known.
    pub wall_ns: Option<WallNs>,
    /// Wall minus monotonic time, nanoseconds: another one since the clock was set.
    pub offset_ns: i64,
    /// Whether that wall clock may be trusted.
    pub clock_sure: bool,
    /// The dairy's offset from UTC now, seconds (local minus UTC).
    pub utc_offset_s: i32,
    /// The lot that is open on a kettle, by the kettle's name.
    pub open_lots: BTreeMap<Name, String>,
    /// The plan followed on a kettle, by the kettle's name.
    pub plans: BTreeMap<Name, Arc<Plan>>,
    /// Marks of the running make, in the order they were made.
    pub marks: Vec<MarkSeen>,
    /// How the outlets do.
    pub outlets: Vec<OutletState>,
    /// Whether readings are being kept; the words say what failed where not.
    pub store: Result<(), String>,
    /// Counters for `/metrics`.
    pub counters: Vec<Counter>,
    /// What each source counts; all count the same.
    pub sources: Vec<(Name, Vec<Counter>)>,
}

impl Snapshot {
    /// Before anything is known.
    pub fn nothing_yet() -> Self {
        Self {
            view: View::default(),
            taken: Instant::now(),
            wall_ns: None,
            offset_ns: 0,
            clock_sure: false,
            utc_offset_s: 0,
            open_lots: BTreeMap::new(),
            plans: BTreeMap::new(),
            marks: Vec::new(),
            outlets: Vec::new(),
            store: Ok(()),
            counters: Vec::new(),
            sources: Vec::new(),
        }
    }
}

/// A mark as it was taken in.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkSeen {
    /// When, nanoseconds since 1970 UTC, where known.
    pub wall_ns: Option<WallNs>,
    /// What.
    pub mark: Mark,
}

/// How one outlet does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutletState {
    /// Its name as configured.
    pub name: String,
    /// Whether its last try went well.
    pub well: bool,
    /// What failed last, where it did.
    pub text: String,
}

/// One wish of a person.
#[derive(Debug)]
pub struct Asked {
    /// What for.
    pub wish: Wish,
    /// Where the answer goes; dropped where nobody waits any more.
    pub answer: oneshot::Sender<Answer>,
}

/// What a person can wish for.
#[derive(Debug, Clone, PartialEq)]
pub enum Wish {
    /// Take in a mark that was pressed so long ago.
    Mark(Mark, Duration),
    /// Pass a command to the engine.
    Command(Command),
    /// Send every outlet a test.
    TestOutlets,
}

/// `Ok`, or why not, in words for the person.
pub type Answer = Result<(), String>;

/// All that the page is given.
#[derive(Debug, Clone)]
pub struct Seam {
    /// What is known, as it changes.
    pub snapshot: watch::Receiver<Arc<Snapshot>>,
    /// Where wishes go.
    pub desk: mpsc::Sender<Asked>,
    /// So many marks are still to be passed on: no lot is closed before them.
    pub in_hand: Arc<AtomicU32>,
    /// The data directory, for lots and plans.
    pub data: PathBuf,
    /// Reads a probe's calibration that holds, by data directory and name.
    pub calibration_of: fn(&Path, &str) -> Option<Calibrated>,
}

/// A probe's calibration, as far as the page shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibrated {
    /// When, RFC 3339 UTC.
    pub time: String,
    /// Who.
    pub by: String,
    /// The day from which it is out of date, `2027-05-01`.
    pub due: String,
    /// Expanded uncertainty (k = 2), °C.
    pub uncertainty_celsius: f64,
}
