//! What every source shares: from what was said to a reading with the dairy's
//! own names, and on to the runner; and what is counted on the way.

use std::fmt;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::mpsc;

use super::channels::Channels;
use super::clock::Clock;
use super::gibberish::Shelf;
use super::input::{Incoming, Input, Receipt, Taken};
use super::own_clock::OwnClocks;
use crate::engine::event::{Mark, MarkKind, Name, Reading};
use crate::sensor::raw::Raw;
use crate::wire::name;

/// A reading younger than this is of the moment it comes, nanoseconds.
const FRESH_NS: u64 = 500_000_000;

/// The way from a source to the runner. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Way {
    /// The source's name as configured.
    pub source: Name,
    /// Where readings go.
    pub inputs: mpsc::Sender<Input>,
    /// The daemon's clock.
    pub clock: Clock,
    /// What each probe is and how it is corrected.
    pub channels: Arc<Channels>,
    /// What is counted.
    pub tally: Arc<Tally>,
}

/// What is counted of one source since the start.
#[derive(Debug, Default)]
pub struct Tally {
    /// Readings taken in.
    pub readings: AtomicU64,
    /// Payloads or frames that could not be read.
    pub refused: AtomicU64,
    /// Readings the box's counter says are missing.
    pub missing: AtomicU64,
    /// Readings sent again that were here already.
    pub again: AtomicU64,
    /// Times the port or the broker had to be opened again.
    pub reopened: AtomicU64,
    /// Times nothing came for too long.
    pub stalls: AtomicU64,
    /// That a name or a note cannot be one was said.
    pub unfit_told: AtomicBool,
    /// The first of the bytes that came since the last reading, where they are none.
    pub gibberish: Shelf,
    /// How old its readings are by its own clock.
    pub own_clocks: Mutex<OwnClocks>,
    /// Why the source is not there, and what can be done, while it is not.
    pub absent: Shelf,
}

impl Tally {
    /// Counts one more.
    pub fn count(what: &AtomicU64, n: u64) {
        what.fetch_add(n, Ordering::Relaxed);
    }

    /// Every counter: its name (snake_case), what it counts, its value.
    pub fn counted(&self) -> [(&'static str, &'static str, u64); 6] {
        let of = |a: &AtomicU64| a.load(Ordering::Relaxed);
        [
            ("readings", "Readings taken in", of(&self.readings)),
            ("refused", "Payloads or frames that could not be read", of(&self.refused)),
            ("missing", "Readings that the box's counter says are missing", of(&self.missing)),
            ("again", "Readings sent again that were here already", of(&self.again)),
            ("reopened", "Times the source had to be opened again", of(&self.reopened)),
            ("stalls", "Times nothing came for too long", of(&self.stalls)),
        ]
    }
}

/// The longest note of a mark in a stream, bytes.
const LONGEST_NOTE: usize = 2000;

/// At most so many characters of what came stand in a message.
const SHOWN: usize = 60;

/// What came, cut to what fits a message.
pub(super) fn short(text: &str) -> String {
    match text.char_indices().nth(SHOWN) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// The runner is gone: the source should end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gone;

impl fmt::Display for Gone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the runner is gone")
    }
}

impl Way {
    /// A reading with the dairy's own names. Here names come in from outside:
    /// with one that the record cannot carry it is refused.
    pub fn reading(&self, probe: &Name, kettle: Option<Name>, raw: &Raw) -> Option<Reading> {
        for name in [Some(probe), kettle.as_ref()].into_iter().flatten() {
            if let Some(why) = name::unfit(name) {
                self.refuse_name(name, why);
                return None;
            }
        }
        Tally::count(&self.tally.readings, 1);
        Some(self.channels.reading(probe, kettle, raw, self.clock.now()))
    }

    /// A person's mark in the source's stream. It bears the source's name where it names
    /// nobody, as a box's button does; a time of its own counts where that of readings does.
    pub fn mark(&self, mark: Mark, wall_ns: Option<i64>) -> Option<Input> {
        for name in std::iter::once(&mark.kettle).chain(&mark.by) {
            if let Some(why) = name::unfit(name) {
                self.refuse_name(name, why);
                return None;
            }
        }
        if let MarkKind::Note(text) = &mark.kind
            && (text.len() > LONGEST_NOTE || text.contains(char::is_control))
        {
            let shown = short(text);
            self.refuse(&format!(
                "the note {shown:?} is refused: one has at most {LONGEST_NOTE} bytes, and no control character"
            ));
            return None;
        }
        let by = mark.by.or_else(|| Some(self.source.clone()));
        let what = Incoming::Streamed(Mark { by, ..mark });
        Some(Input { what, taken: wall_ns.into(), receipt: None })
    }

    /// When a reading was taken by the source's own clock, where it gave a time that
    /// counts. A clock that is slow is told once.
    pub fn own_time(&self, probe: &Name, wall_ns: Option<i64>) -> Taken {
        let now = self.clock.now();
        let age_ns = wall_ns.map(|own_ns| now.wall_ns.saturating_sub(own_ns));
        let mut clocks = self.tally.own_clocks.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(age_ns) = age_ns.filter(|age_ns| clocks.is_slow(probe, *age_ns, now.mono_ns)) {
            let (from, min) = (&self.source, age_ns / 60_000_000_000);
            tracing::warn!(source = %from, "{from}: what comes of {probe} says, over and over, that it was taken {min} min ago, and is taken for as old as that: the clock of its box is slow, or this machine's ahead; set it, or take own-time out");
        }
        wall_ns.into()
    }

    fn refuse_name(&self, name: &str, why: &str) {
        let name = short(name);
        self.refuse(&format!(
            "the name {name:?} {why}: what comes under it is refused; give it a short plain name where it comes from"
        ));
    }

    /// Counted each time, said once.
    fn refuse(&self, why: &str) {
        Tally::count(&self.tally.refused, 1);
        if !self.tally.unfit_told.swap(true, Ordering::Relaxed) {
            let from = &self.source;
            tracing::warn!(source = %from, "{from}: {why}");
        }
    }

    /// The source came or went.
    pub fn link(&self, up: bool) -> Input {
        Input::of(Incoming::Link { source: self.source.clone(), up })
    }

    /// Sends from a thread of its own; waits where the runner is behind.
    ///
    /// # Errors
    /// [`Gone`].
    pub fn send(&self, input: Input) -> Result<(), Gone> {
        self.inputs.blocking_send(input).map_err(|_| Gone)
    }

    /// Sends from a task; waits where the runner is behind.
    ///
    /// # Errors
    /// [`Gone`].
    pub async fn send_async(&self, input: Input) -> Result<(), Gone> {
        self.inputs.send(input).await.map_err(|_| Gone)
    }

    /// An input for what was `age_ns` ago.
    pub fn aged(&self, what: Incoming, age_ns: u64, receipt: Option<Receipt>) -> Input {
        // A fresh one takes the time of arrival.
        let taken = if age_ns > FRESH_NS { Taken::Ago(age_ns) } else { Taken::OnArrival };
        Input { what, taken, receipt }
    }
}
