//! The record's own thread: it owns the journal, so that nothing else ever
//! waits for the disk.
//!
//! Lines come in over a channel that never blocks the sender. A receipt is
//! called once the group of its line is synced, never before; where a line is
//! not kept its receipt is dropped, and the source keeps or sends it again.
//!
//! Invariant: after [`Recorder::stop`] everything handed over is synced, or
//! the error says that it is not.

mod keeper;

use std::sync::Arc;
use std::sync::mpsc::{Sender, channel};
use std::thread::JoinHandle;

use tokio::sync::mpsc::{self, UnboundedSender};

use super::clock::Clock;
use super::free_space::FreeSpace;
use super::input::{Input, Receipt};
use super::lot_desk::LotDesk;
use super::outlet::{LotNews, News};
use crate::engine::event::Name;
use crate::engine::plan::Plan;
use crate::journal::{Journal, JournalError, Moment};
use keeper::Keeper;

/// Lines of one thing that happened.
#[derive(Debug)]
pub struct Job {
    /// Journal lines without newlines.
    pub lines: Vec<String>,
    /// When it came; a line's own time may be earlier.
    pub at: Moment,
    /// Called once all of them are synced.
    pub receipt: Option<Receipt>,
    /// How many of them are readings.
    pub readings: u64,
    /// What followed from it.
    pub news: Vec<Arc<News>>,
    /// The plan that is followed from now on, on which kettle.
    pub followed: Option<(Name, Option<Arc<Plan>>)>,
    /// The person who ended the make.
    pub ended_by: Option<Name>,
}

/// What the record thread has to say.
#[derive(Debug)]
pub enum Report {
    /// What is synced since the start.
    Kept {
        /// So many readings.
        readings: u64,
        /// So many jobs with lines; those that could not be taken count too.
        jobs: u64,
    },
    /// Readings are not being kept, or are again.
    Store {
        /// Whether they are.
        ok: bool,
        /// What failed.
        text: String,
    },
    /// A lot was opened or closed.
    Lot(LotNews),
    /// The disk cannot be trusted any more: end the process.
    Fatal(String),
}

#[derive(Debug)]
enum Order {
    Job(Job),
    Stop,
}

/// The handle to the record thread.
#[derive(Debug)]
pub struct Recorder {
    orders: Sender<Order>,
    thread: JoinHandle<Result<(), JournalError>>,
}

/// The record thread is gone.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// It ended with what it had not synced.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// It died.
    #[error("the record thread died; what was acknowledged is on disk, start again")]
    Died,
}

impl Recorder {
    /// Starts the thread.
    ///
    /// # Errors
    /// The thread cannot be started.
    pub fn start(desk: Desk, clock: Clock) -> std::io::Result<Self> {
        let (orders, jobs) = channel();
        let mut keeper = Keeper::new(desk, clock);
        let thread = std::thread::Builder::new().name("record".into()).spawn(move || keeper.run(&jobs))?;
        Ok(Self { orders, thread })
    }

    /// Hands lines over; never waits.
    ///
    /// # Errors
    /// [`RecordError::Died`].
    pub fn record(&self, job: Job) -> Result<(), RecordError> {
        self.orders.send(Order::Job(job)).map_err(|_| RecordError::Died)
    }

    /// Syncs everything and ends the thread. Waits for it.
    ///
    /// # Errors
    /// What was not synced, and why.
    pub fn stop(self) -> Result<(), RecordError> {
        // A thread that is gone already says why when it is joined.
        let _ = self.orders.send(Order::Stop);
        match self.thread.join() {
            Ok(ended) => Ok(ended?),
            Err(_) => Err(RecordError::Died),
        }
    }
}

/// What the record thread works with.
#[derive(Debug)]
pub struct Desk {
    /// The journal.
    pub journal: Journal,
    /// The lots.
    pub lots: LotDesk,
    /// How much room is left.
    pub free: FreeSpace,
    /// Where its reports go.
    pub reports: UnboundedSender<Report>,
    /// Where marks go that came through the inbox.
    pub inputs: mpsc::Sender<Input>,
}

#[cfg(test)]
mod tests;
