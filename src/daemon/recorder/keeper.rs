//! The record thread itself: syncs what is due, answers receipts, and lets the lots
//! work on what is on disk.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::Duration;

use tokio::sync::mpsc::{self, UnboundedSender};

use super::{Desk, Job, Order, Report};
use crate::daemon::clock::Clock;
use crate::daemon::free_space::FreeSpace;
use crate::daemon::input::{Input, Receipt};
use crate::daemon::kettle_files;
use crate::daemon::lot_desk::{LotDesk, Work};
use crate::daemon::outlet::News;
use crate::engine::effect::{Conclusion, Effect};
use crate::journal::{self, Journal, JournalError};
use crate::lot::at::At;

/// While the disk fails it is tried again so often.
const AGAIN: Duration = Duration::from_millis(500);

/// The inbox is looked into so often.
const LOOK_IN_INBOX: Duration = Duration::from_millis(200);

/// The thread's own state.
pub(super) struct Keeper {
    journal: Journal,
    lots: LotDesk,
    /// Work for the lots, by the ticket that must be synced first.
    lot_work: VecDeque<(u64, Work)>,
    inputs: mpsc::Sender<Input>,
    inbox_next_ns: u64,
    /// The ticket of the line pushed last.
    ticket: u64,
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
    pub(super) fn new(desk: Desk, clock: Clock) -> Self {
        let Desk { journal, lots, free, reports, inputs } = desk;
        Self {
            lots,
            lot_work: VecDeque::new(),
            inputs,
            inbox_next_ns: 0,
            ticket: 0,
            data: journal.dir().parent().map_or_else(PathBuf::new, Into::into),
            free,
            journal,
            clock,
            reports,
            waiting: VecDeque::new(),
            handed: VecDeque::new(),
            kept: (0, 0),
            well: true,
        }
    }

    pub(super) fn run(&mut self, jobs: &Receiver<Order>) -> Result<(), JournalError> {
        loop {
            match jobs.recv_timeout(self.patience()) {
                Ok(Order::Stop) | Err(RecvTimeoutError::Disconnected) => return self.last(),
                Ok(Order::Job(job)) => {
                    self.take(job);
                    // What has come meanwhile joins the group before it is
                    // synced: one sync, many readings.
                    for order in jobs.try_iter().take(256) {
                        match order {
                            Order::Job(job) => self.take(job),
                            Order::Stop => return self.last(),
                        }
                    }
                }
                Err(RecvTimeoutError::Timeout) => self.inbox_next_ns = 0,
            }
            if !self.well || self.journal.is_due(self.clock.now().mono_ns) {
                self.commit()?;
            }
            self.look_in_inbox()?;
            self.lots_again();
            if let Some(scarce) = self.free.look(self.clock.now().mono_ns) {
                tracing::warn!("{scarce}");
            }
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

    /// Takes a job's lines into memory, all or none, and what the lots and kettles learn
    /// of it in any case: where its lines are lost the make goes on all the same.
    pub(super) fn take(&mut self, job: Job) {
        let Job { mut lines, at, receipt, readings, news, followed, ended_by } = job;
        let has_lines = !lines.is_empty();
        lines.retain(|line| journal::fit(line).inspect_err(|e| tracing::error!("{e}")).is_ok());
        let taken = self.journal.push_all(&lines, at);
        if let Ok(ticket) = taken {
            self.ticket = ticket;
        }
        // Else its receipt is dropped: not kept, not acknowledged.
        self.waiting.extend(receipt.filter(|_| taken.is_ok()).map(|r| (self.ticket, r)));
        if has_lines {
            self.handed.push_back((self.ticket, if taken.is_ok() { readings } else { 0 }));
        }
        if let Err(e) = taken {
            self.unwell(&e);
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

    /// Carries out what is asked there. An error that comes back is fatal.
    fn look_in_inbox(&mut self) -> Result<(), JournalError> {
        let now_ns = self.clock.now().mono_ns;
        if now_ns < self.inbox_next_ns {
            return Ok(());
        }
        let span_ns = LOOK_IN_INBOX.mul_f64(self.clock.speed()).as_nanos();
        self.inbox_next_ns = now_ns.saturating_add(u64::try_from(span_ns).unwrap_or(u64::MAX));
        if !self.well || !self.lots.is_asked() {
            return Ok(());
        }
        // What is asked of a lot rests on all that was said before. A disk that is full
        // is no error here, and all the same nothing is synced.
        self.commit()?;
        if self.well {
            for one in self.lots.inbox() {
                self.report(Report::Lot(one));
            }
            self.hand_on();
        }
        Ok(())
    }

    fn unwell(&mut self, why: &JournalError) {
        if self.well {
            self.well = false;
            self.report(Report::Store { ok: false, text: why.to_string() });
        }
    }

    pub(super) fn last(&mut self) -> Result<(), JournalError> {
        let done = self.journal.commit().map(|_| ());
        self.release();
        done
    }

    fn report(&self, report: Report) {
        // The runner may have gone before us; then nobody needs to know.
        let _ = self.reports.send(report);
    }
}
