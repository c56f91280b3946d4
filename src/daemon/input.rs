//! What reaches the runner, and the receipt that it is kept.

use std::fmt;

use crate::engine::event::{Command, Mark, Name, Reading};

/// One thing for the runner. It is stamped when the runner takes it, unless it
/// is a reading that was taken before, or a mark of then.
#[derive(Debug)]
pub struct Input {
    /// What.
    pub what: Incoming,
    /// When a reading was taken, or a moment marked.
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

/// When a source says that its reading was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// As it came in.
    OnArrival,
    /// So long before it came, nanoseconds: nobody's clock has to be right.
    Ago(u64),
    /// At this wall time of the source's own clock, nanoseconds since 1970.
    At(i64),
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
    /// A person asks something of the lots: open, close.
    Lot(LotAsk),
    /// A source came or went.
    Link {
        /// The source's name as configured.
        source: Name,
        /// Whether it is there now.
        up: bool,
    },
}

/// What a person asks of the lots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LotAsk {
    /// Whose kettle.
    pub kettle: Name,
    /// Who asks.
    pub by: Option<Name>,
    /// Open (`true`) or close (`false`).
    pub open: bool,
    /// The id wanted, where one is.
    pub id: Option<String>,
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
