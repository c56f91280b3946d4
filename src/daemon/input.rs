//! What reaches the runner, and the receipt that it is kept.

use std::fmt;

use crate::engine::event::{Command, Mark, Name, Reading};

/// One thing for the runner. It is stamped when the runner takes it, unless it
/// brings a time of its own.
#[derive(Debug)]
pub struct Input {
    /// What.
    pub what: Incoming,
    /// Wall time the source gives it, nanoseconds since 1970; `None` takes the
    /// time of arrival.
    pub wall_ns: Option<i64>,
    /// Called once its record is synced.
    pub receipt: Option<Receipt>,
}

impl Input {
    /// Something that needs no receipt and bears no time of its own.
    pub fn of(what: Incoming) -> Self {
        Self { what, wall_ns: None, receipt: None }
    }
}

/// What can come in.
#[derive(Debug)]
pub enum Incoming {
    /// A probe said something.
    Reading(Reading),
    /// A person marked a moment.
    Mark(Mark),
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

/// Called once: when the record is synced, or dropped where it never will be.
pub struct Receipt(Box<dyn FnOnce() + Send>);

impl Receipt {
    /// A receipt that runs `act` on the record's own thread; it must not wait.
    pub fn new(act: impl FnOnce() + Send + 'static) -> Self {
        Self(Box::new(act))
    }

    /// The record is synced.
    pub fn kept(self) {
        (self.0)();
    }
}

impl fmt::Debug for Receipt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Receipt")
    }
}
