//! The record's own thread: it owns the journal, so that nothing else ever
//! waits for the disk.
//!
//! Lines come in over a channel that never blocks the sender. A receipt is
//! called once the group of its line is synced, never before; where a line is
//! not kept its receipt is dropped, and the source keeps or sends it again.
//!
//! Invariant: after [`Recorder::stop`] everything handed over is synced, or
//! the error says that it is not.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::mpsc::{self, UnboundedSender};

use super::clock::Clock;
use super::free_space::FreeSpace;
use super::input::{Input, LotAsk, Receipt};
use super::kettle_files;
use super::lot_desk::{LotDesk, Work};
use super::outlet::{LotNews, News};
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::Name;
use crate::engine::plan::Plan;
use crate::journal::{Journal, JournalError, Moment};
use crate::lot::at::At;

/// While the disk fails it is tried again so often.
const AGAIN: Duration = Duration::from_millis(500);

/// The inbox is looked into so often.
const LOOK_IN_INBOX: Duration = Duration::from_millis(200);

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
    Lot(LotAsk, Option<Receipt>),
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
        let Desk { journal, lots, free, reports, inputs } = desk;
        let mut keeper = Keeper {
            lots,
            lot_work: VecDeque::new(),
            inputs,
            inbox_next_ns: 0,
            ticket: 0,
            urgent: false,
            data: journal.dir().parent().map_or_else(PathBuf::new, Into::into),
            free,
            journal,
            clock,
            reports,
            waiting: VecDeque::new(),
            handed: VecDeque::new(),
            kept: (0, 0),
            well: true,
        };
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

    /// Hands over what a person asks of the lots; never waits.
    ///
    /// # Errors
    /// [`RecordError::Died`].
    pub fn lot(&self, ask: LotAsk, receipt: Option<Receipt>) -> Result<(), RecordError> {
        self.orders.send(Order::Lot(ask, receipt)).map_err(|_| RecordError::Died)
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

/// The thread's own state.
struct Keeper {
    journal: Journal,
    lots: LotDesk,
    /// Work for the lots, by the ticket that must be synced first.
    lot_work: VecDeque<(u64, Work)>,
    inputs: mpsc::Sender<Input>,
    inbox_next_ns: u64,
    /// The ticket of the line pushed last.
    ticket: u64,
    /// Sync at once: somebody waits.
    urgent: bool,
    clock: Clock,
    reports: UnboundedSender<Report>,
    /// Receipts by the ticket that must be synced first.
    waiting: VecDeque<(u64, Receipt)>,
    /// Readings of each job with lines by the ticket that must be synced first.
    handed: VecDeque<(u64, u64)>,
    /// Readings and jobs that are synced.
    kept: (u64, u64),
    well: bool,
    /// Where what was learned of each kettle is kept, among other things.
    data: PathBuf,
    free: FreeSpace,
}

impl Keeper {
    fn run(&mut self, jobs: &Receiver<Order>) -> Result<(), JournalError> {
        loop {
            match jobs.recv_timeout(self.patience()) {
                Ok(Order::Stop) | Err(RecvTimeoutError::Disconnected) => return self.last(),
                Ok(order) => {
                    self.obey(order);
                    // What has come meanwhile joins the group before it is
                    // synced: one sync, many readings.
                    for order in jobs.try_iter().take(256) {
                        if matches!(order, Order::Stop) {
                            return self.last();
                        }
                        self.obey(order);
                    }
                }
                Err(RecvTimeoutError::Timeout) => self.inbox_next_ns = 0,
            }
            if self.urgent || self.journal.is_due(self.clock.now().mono_ns) {
                self.commit()?;
            }
            self.look_in_inbox();
            self.lots_again();
            self.free.look(self.clock.now().mono_ns);
        }
    }

    fn obey(&mut self, order: Order) {
        match order {
            Order::Job(job) => self.take(job),
            Order::Lot(ask, receipt) => {
                // After all that was said before it; a person waits for it.
                self.lot_work.push_back((self.ticket, Work::Ask(ask, receipt)));
                self.urgent = true;
            }
            Order::Stop => {}
        }
    }

    /// How long to wait for the next line: until the running group is due.
    fn patience(&self) -> Duration {
        if !self.well {
            return AGAIN;
        }
        let Some(due_ns) = self.journal.due_ns() else { return LOOK_IN_INBOX };
        let left_ns = due_ns.saturating_sub(self.clock.now().mono_ns);
        Duration::from_nanos(left_ns).div_f64(self.clock.speed()).min(LOOK_IN_INBOX)
    }

    fn take(&mut self, job: Job) {
        let Job { lines, at, receipt, readings, news, followed, ended_by } = job;
        let has_lines = !lines.is_empty();
        for line in &lines {
            match self.journal.push(line, at) {
                Ok(ticket) => self.ticket = ticket,
                Err(e @ JournalError::BadLine(_)) => tracing::error!("{e}"),
                Err(e) => {
                    // Its receipt is dropped with the job: not kept, not acknowledged.
                    self.handed.push_back((self.ticket, 0));
                    self.unwell(&e);
                    return;
                }
            }
        }
        self.waiting.extend(receipt.map(|r| (self.ticket, r)));
        if has_lines {
            self.handed.push_back((self.ticket, readings));
        }
        if let Some((kettle, plan)) = followed {
            self.lot_work.push_back((self.ticket, Work::Follow(kettle, plan)));
        }
        for one in &news {
            let News::Effect(effect) = &**one else { continue };
            self.learn(effect);
            if matches!(effect.what, Conclusion::MakeBegan | Conclusion::Make(_)) {
                self.lot_work.push_back((self.ticket, Work::Effect(effect.clone(), ended_by.clone())));
            }
        }
    }

    /// What a make taught of its kettle, for the next one.
    fn learn(&self, effect: &Effect) {
        let Conclusion::Learned(learned) = &effect.what else { return };
        if let Err(e) = kettle_files::keep(&self.data, &effect.kettle, learned) {
            tracing::warn!("what was learned of kettle {} is not kept: {e}", effect.kettle);
        }
    }

    /// Syncs what is due. An error that comes back is fatal.
    fn commit(&mut self) -> Result<(), JournalError> {
        self.urgent = false;
        match self.journal.commit() {
            Ok(_) => {
                let was_well = std::mem::replace(&mut self.well, true);
                if !was_well {
                    self.lots.store_is_well();
                }
                self.release();
                if !was_well {
                    self.report(Report::Store { ok: true, text: "readings are being kept again".into() });
                }
                Ok(())
            }
            Err(e) if e.is_fatal() => {
                self.report(Report::Fatal(e.to_string()));
                Err(e)
            }
            Err(e) => {
                // A part may have been synced before the disk failed.
                self.release();
                self.unwell(&e);
                std::thread::sleep(AGAIN.min(Duration::from_millis(100)));
                Ok(())
            }
        }
    }

    fn release(&mut self) {
        let synced = self.journal.synced_through();
        while self.waiting.front().is_some_and(|w| w.0 <= synced) {
            if let Some((_, receipt)) = self.waiting.pop_front() {
                receipt.kept();
            }
        }
        let before = self.kept;
        while let Some((_, readings)) = self.handed.front().filter(|h| h.0 <= synced) {
            self.kept = (self.kept.0 + readings, self.kept.1 + 1);
            self.handed.pop_front();
        }
        if self.kept != before {
            let (readings, jobs) = self.kept;
            self.report(Report::Kept { readings, jobs });
        }
        while self.lot_work.front().is_some_and(|w| w.0 <= synced) {
            let Some((_, work)) = self.lot_work.pop_front() else { break };
            let now = At(self.clock.now().wall_ns);
            if let Some(news) = self.lots.work(work, now) {
                self.report(Report::Lot(news));
            }
        }
        self.hand_on();
    }

    /// What the disk kept the lots from doing is done once it takes it.
    fn lots_again(&mut self) {
        if !self.well {
            return;
        }
        for news in self.lots.try_again(At(self.clock.now().wall_ns)) {
            self.report(Report::Lot(news));
        }
    }

    /// What the lots want of the engine first. A runner that is gone, or so
    /// far behind, leaves it undone; who asked hears that nobody answered.
    fn hand_on(&mut self) {
        for input in self.lots.take_inputs() {
            let _ = self.inputs.try_send(input);
        }
    }

    fn look_in_inbox(&mut self) {
        let now_ns = self.clock.now().mono_ns;
        if now_ns < self.inbox_next_ns {
            return;
        }
        let span_ns = LOOK_IN_INBOX.mul_f64(self.clock.speed()).as_nanos();
        self.inbox_next_ns = now_ns.saturating_add(u64::try_from(span_ns).unwrap_or(u64::MAX));
        if !self.lots.is_asked() {
            return;
        }
        // What is asked of a lot rests on all that was said before.
        if !self.well || self.commit().is_err() {
            return;
        }
        for one in self.lots.inbox() {
            self.report(Report::Lot(one));
        }
        self.hand_on();
    }

    fn unwell(&mut self, why: &JournalError) {
        if self.well {
            self.well = false;
            self.report(Report::Store { ok: false, text: why.to_string() });
        }
    }

    fn last(&mut self) -> Result<(), JournalError> {
        let done = self.journal.commit().map(|_| ());
        self.release();
        done
    }

    fn report(&self, report: Report) {
        // The runner may have gone before us; then nobody needs to know.
        let _ = self.reports.send(report);
    }
}

#[cfg(test)]
mod tests;
