//! What reaches the runner, and the receipt that it is kept.

use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use crate::engine::event::{Command, Mark, Name, Reading};

/// One thing for the runner. It is stamped when the runner takes it, unless it
/// is a reading that was taken, or a mark that was pressed, before.
#[derive(Debug)]
pub struct Input {
    /// What.
    pub what: Incoming,
    /// When a reading was taken, or a mark pressed.
    pub taken: Taken,
    /// Told once its record is synced, or that it never will be.
    pub receipt: Option<Receipt>,
}

impl Input {
    /// Something that needs no receipt and bears no time of its own.
    pub fn of(what: Incoming) -> Self {
        Self { what, taken: Taken::OnArrival, receipt: None }
    }
}

/// When a source says that its reading was taken, or a mark pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// As it came in.
    OnArrival,
    /// So long before it came, nanoseconds: nobody's clock has to be right.
    Ago(u64),
    /// At this wall time of the source's own clock, nanoseconds since 1970.
    At(i64),
    /// Nobody knows how long before it came: it waited where no clock was read.
    Sometime,
}

impl From<Option<i64>> for Taken {
    /// The source's own wall time, where it gave one.
    fn from(wall_ns: Option<i64>) -> Self {
        wall_ns.map_or(Self::OnArrival, Self::At)
    }
}

/// What can come in.
#[derive(Debug)]
pub enum Incoming {
    /// A probe said something.
    Reading(Reading),
    /// A person marked a moment.
    Mark(Mark),
    /// A person's mark in a source's stream: whose kettle it is, is said from outside.
    Streamed(Mark),
    /// A person asks for something.
    Command(Command),
    /// A source came or went.
    Link {
        /// The source's name as configured.
        source: Name,
        /// Whether it is there now.
        up: bool,
    },
}

/// What became of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// It is synced.
    Kept,
    /// It never will be: there is no room, or the daemon is stopping.
    Dropped,
}

/// Told once what became of a record: kept, or, where nobody says so before the
/// receipt is dropped, not.
pub struct Receipt(Option<Box<dyn FnOnce(Fate) + Send>>);

impl Receipt {
    /// A receipt that runs `act` on the record's own thread; it must not wait.
    pub fn new(act: impl FnOnce(Fate) + Send + 'static) -> Self {
        Self(Some(Box::new(act)))
    }

    /// A share of this one for each of so many records: the last of them that is kept
    /// tells that it is, the first that is not that it is not.
    pub fn shared(self, among: usize) -> Vec<Self> {
        let whole = Arc::new(Mutex::new((among, Some(self))));
        let share = |_| {
            let whole = whole.clone();
            Self::new(move |fate| {
                let mut whole = whole.lock().unwrap_or_else(PoisonError::into_inner);
                whole.0 -= 1;
                let is_told = fate == Fate::Dropped || whole.0 == 0;
                if let Some(mut receipt) = whole.1.take_if(|_| is_told) {
                    receipt.tell(fate);
                }
            })
        };
        (0..among).map(share).collect()
    }

    /// The record is synced.
    pub fn kept(mut self) {
        self.tell(Fate::Kept);
    }

    fn tell(&mut self, fate: Fate) {
        if let Some(act) = self.0.take() {
            act(fate);
        }
    }
}

impl Drop for Receipt {
    fn drop(&mut self) {
        self.tell(Fate::Dropped);
    }
}

impl fmt::Debug for Receipt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Receipt")
    }
}
