//! The one task that owns the engine.
//!
//! Duty: stamp what comes in, step the engine, hand what follows to the
//! outlets and everything to the record thread. It never waits for the disk,
//! an outlet or a source.
//!
//! Invariant: the journal gets every happening in the order in which the
//! engine got it, so that the journal replayed is the day again.

mod came;
mod clock_told;

use std::sync::Arc;

use came::Came;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::admission::Admission;
use super::clock::{Clock, StepWatch};
use super::input::{Incoming, Input, Receipt, Taken};
use super::intake;
use super::late;
use super::outlet::{News, Snapshot, make_began};
use super::recorder::{Job, RecordError, Recorder, Report};
use super::source::Tally;
use super::standing::Standing;
use super::store_watch::StoreWatch;
use super::trust::Trust;
use crate::engine::Engine;
use crate::engine::effect::{Conclusion, Effect};
use crate::engine::event::{Ask, Command, Event, Happening, Mark, Name, Stamp};
use crate::journal::{Moment, gap_line};
use crate::lot::life::SOMEBODY;

/// Why the runner ended before it was told to.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The record thread is gone, or could not sync at the end.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The disk cannot be trusted any more.
    #[error("{0}")]
    Disk(String),
}

/// What the runner works with.
#[derive(Debug)]
pub struct Runner {
    /// The engine, with the recent past already stepped through it.
    pub engine: Engine,
    /// The clock.
    pub clock: Clock,
    /// This boot's number.
    pub boot: u32,
    /// The last wall time that the journal trusted, nanoseconds: a clock behind
    /// it is not to be believed.
    pub newest_wall_ns: Option<i64>,
    /// Whether the engine was stepped through a recent past.
    pub begun: bool,
    /// What persons ordered that still stands.
    pub standing: Standing,
    /// How far a restart looks back, nanoseconds.
    pub look_back_ns: u64,
    /// What comes in.
    pub inputs: mpsc::Receiver<Input>,
    /// What the record thread reports.
    pub reports: mpsc::UnboundedReceiver<Report>,
    /// The record thread.
    pub recorder: Recorder,
    /// Where news go.
    pub news: broadcast::Sender<Arc<News>>,
    /// Where the snapshot goes.
    pub snapshot: watch::Sender<Arc<Snapshot>>,
    /// Where the count of readings taken in goes.
    pub taken: watch::Sender<u64>,
    /// What each source counts, in the order of the snapshot's sources.
    pub tallies: Vec<Arc<Tally>>,
    /// Which probes and kettles are taken in.
    pub admission: Admission,
    /// Whether what is handed over is kept.
    pub store: StoreWatch,
}

/// The running loop's own state.
struct Loop {
    r: Runner,
    steps: StepWatch,
    trust: Trust,
    shown: Snapshot,
    effects: Vec<Effect>,
    /// Something has happened, now or in the recent past.
    begun: bool,
}

impl Runner {
    /// Runs until `stop` is cancelled and everything that had come in is
    /// taken and synced.
    ///
    /// # Errors
    /// [`RunError`]; the process should end with it.
    pub async fn run(self, stop: CancellationToken) -> Result<(), RunError> {
        let now = self.clock.now();
        let (steps, trust) = (StepWatch::from(now), Trust::from(self.newest_wall_ns, now));
        let shown = Snapshot::clone(&self.snapshot.borrow());
        let begun = self.begun;
        let mut it = Loop { r: self, steps, trust, shown, effects: Vec::new(), begun };
        let result = it.go(&stop).await;
        let Loop { r: Runner { recorder, .. }, .. } = it;
        // The thread syncs for as long as the disk takes; nobody else waits.
        let ended = tokio::task::spawn_blocking(move || recorder.stop()).await;
        result?;
        ended.unwrap_or(Err(RecordError::Died))?;
        Ok(())
    }
}

impl Loop {
    async fn go(&mut self, stop: &CancellationToken) -> Result<(), RunError> {
        if self.begun {
            self.happened(Happening::Resumed, None)?;
        }
        if !self.r.engine.was_told_store_ok() {
            // A process that ended in trouble did not see that it was over.
            let text = "started again; readings are being kept".into();
            self.happened(Happening::Store { ok: true, text }, None)?;
        }
        self.judge_clock()?;
        self.publish();
        self.turn(stop).await
    }

    async fn turn(&mut self, stop: &CancellationToken) -> Result<(), RunError> {
        let clock = self.r.clock.clone();
        let second = std::time::Duration::from_secs(1);
        let mut tick = Box::pin(clock.sleep(second));
        loop {
            tokio::select! {
                biased;
                report = self.r.reports.recv() => self.reported(report)?,
                () = stop.cancelled() => break,
                () = &mut tick => {
                    tick.set(clock.sleep(second));
                    self.trust.look(clock.now());
                    self.judge_clock()?;
                    self.r.store.look(Instant::now());
                    self.tell_store()?;
                    // The engine's grid begins with what the journal holds: a
                    // tick before that would be there today and not on replay.
                    if self.begun {
                        self.happened(Happening::Tick, None)?;
                        self.restate()?;
                    }
                    self.publish();
                }
                input = self.r.inputs.recv() => match input {
                    Some(input) => self.take(input)?,
                    None => break,
                },
            }
        }
        // What had reached us is part of the day.
        self.r.inputs.close();
        while let Some(input) = self.r.inputs.recv().await {
            self.take(input)?;
        }
        self.publish();
        Ok(())
    }

    fn take(&mut self, input: Input) -> Result<(), RunError> {
        let Input { what, taken, receipt } = input;
        match what {
            Incoming::Reading(reading) => {
                if !self.r.admission.admits(&reading) {
                    // Nothing is gained where it is sent again.
                    receipt.into_iter().for_each(Receipt::kept);
                    return Ok(());
                }
                self.shown.readings += 1;
                let now = self.arrived()?;
                let age_ns = late::age_ns(taken, now);
                let reading = late::judged(reading, taken, age_ns, now);
                self.step(Happening::Reading(reading), Came { age_ns, ..Came::at(now) }, receipt)?;
                self.r.taken.send_replace(self.shown.readings);
                Ok(())
            }
            Incoming::Mark(mark) => self.marked(mark, taken, receipt),
            Incoming::Streamed(mark) if self.r.admission.admits_mark(&mark) => {
                self.marked(mark, taken, receipt)
            }
            Incoming::Streamed(_) => {
                // Nothing is gained where it is sent again.
                receipt.into_iter().for_each(Receipt::kept);
                Ok(())
            }
            Incoming::Command(command) => {
                self.followed(&command);
                self.happened(Happening::Command(command), receipt)?;
                self.publish();
                Ok(())
            }
            Incoming::Link { source, up } => {
                self.linked(&source, up);
                self.happened(Happening::Link { source, up }, receipt)
            }
        }
    }

    fn marked(&mut self, mark: Mark, taken: Taken, receipt: Option<Receipt>) -> Result<(), RunError> {
        let now = self.arrived()?;
        let age_ns = late::age_ns(taken, now);
        let wall_ns = now.wall_ns().saturating_sub_unsigned(age_ns);
        self.tell(Arc::new(News::Marked(mark.clone(), wall_ns)));
        self.step(Happening::Mark(mark.clone()), Came { age_ns, ..Came::at(now) }, receipt)?;
        // One that begins a make is the first of its marks.
        self.shown.mark(wall_ns, mark);
        self.publish();
        Ok(())
    }

    /// What still stands is said again before a restart would not see it.
    fn restate(&mut self) -> Result<(), RunError> {
        let came = Came { again: true, ..Came::at(self.moment()) };
        for command in self.r.standing.due(came.at.mono_ns, self.r.look_back_ns / 2) {
            self.step(Happening::Command(command), came, None)?;
        }
        Ok(())
    }

    fn followed(&mut self, command: &Command) {
        self.r.standing.note(command);
        if let Ask::Follow(plan) = &command.ask {
            match plan {
                Some(plan) => self.shown.plans.insert(command.kettle.clone(), plan.clone()),
                None => self.shown.plans.remove(&command.kettle),
            };
        }
    }

    fn linked(&mut self, source: &Name, up: bool) {
        if let Some(s) = self.shown.sources.iter_mut().find(|s| s.name == *source) {
            s.up = up;
        }
    }

    fn reported(&mut self, report: Option<Report>) -> Result<(), RunError> {
        match report {
            Some(Report::Kept { readings, jobs }) => {
                self.shown.readings_kept = readings;
                self.r.store.kept(jobs);
                self.tell_store()?;
            }
            Some(Report::Store { ok, text }) => {
                self.r.store.said(ok, text);
                self.tell_store()?;
            }
            Some(Report::Lot(lot)) => {
                // The terminal says it, in the dairy's language and with the folder.
                tracing::debug!("lot {} {}", lot.id, if lot.closed { "closed" } else { "opened" });
                self.shown.note(&lot);
                self.publish();
                self.tell(Arc::new(News::Lot(lot)));
            }
            Some(Report::Fatal(text)) => return Err(RunError::Disk(text)),
            None => return Err(RecordError::Died.into()),
        }
        Ok(())
    }

    /// Tells that readings are not being kept, or are again.
    fn tell_store(&mut self) -> Result<(), RunError> {
        let Some((ok, text)) = self.r.store.news() else { return Ok(()) };
        if ok {
            tracing::info!("{text}");
        } else {
            tracing::error!("{text}");
        }
        self.shown.store_trouble = (!ok).then(|| text.clone());
        self.happened(Happening::Store { ok, text }, None)?;
        self.publish();
        Ok(())
    }

    /// One thing happened now: to the engine, the record and the outlets.
    fn happened(&mut self, what: Happening, receipt: Option<Receipt>) -> Result<(), RunError> {
        let now = self.arrived()?;
        self.step(what, Came::at(now), receipt)
    }

    /// The moment of what comes now; a clock that was set is told first.
    fn arrived(&mut self) -> Result<Moment, RunError> {
        let now = self.r.clock.now();
        if let Some(step_ns) = self.steps.look(now) {
            self.trust.set(now);
            tracing::warn!("the clock was set by {:.1} s", step_ns as f64 / 1e9);
            self.step(Happening::ClockStep { step_ns }, Came::at(self.moment()), None)?;
            self.tell_clock()?;
        }
        Ok(self.moment())
    }

    fn step(&mut self, what: Happening, came: Came, receipt: Option<Receipt>) -> Result<(), RunError> {
        let Came { at, age_ns, again } = came;
        let own_ns = at.wall_ns().saturating_sub_unsigned(age_ns);
        let mono_ns = at.mono_ns.saturating_sub(age_ns);
        let stamp = Stamp { boot: self.r.boot, mono_ns, wall_ns: at.clock_sure.then_some(own_ns) };
        let readings = u64::from(matches!(what, Happening::Reading(_)));
        let followed = match &what {
            Happening::Command(Command { kettle, ask: Ask::Follow(plan), .. }) if !again => {
                Some((kettle.clone(), plan.clone()))
            }
            _ => None,
        };
        let ended_by = match &what {
            // At the page nobody may have typed a name; it was a person all the same.
            Happening::Command(Command { by, ask: Ask::EndMake, .. }) => {
                Some(by.clone().unwrap_or_else(|| Name::from(SOMEBODY)))
            }
            _ => None,
        };
        self.begun = true;
        let mut lines = intake::lines(&what, again, own_ns);
        self.r.engine.step(&Event { stamp, what }, &mut self.effects);
        let mut turned = false;
        let mut news = Vec::new();
        for effect in std::mem::take(&mut self.effects) {
            let mut line = String::new();
            if intake::write_said(&mut line, &effect, at.wall_ns()) {
                lines.push(line);
                turned = true;
            }
            if matches!(effect.what, Conclusion::MakeBegan) {
                let began_ns = effect.time.unwrap_or_else(|| at.wall_ns());
                make_began(&mut self.shown.marks, &effect.kettle, began_ns);
            }
            let one = Arc::new(News::Effect(effect));
            self.tell(one.clone());
            news.push(one);
        }
        self.hand_over(Job { lines, at, receipt, readings, news, followed, ended_by }, turned)?;
        if turned {
            self.publish();
        }
        Ok(())
    }

    /// Hands to the record what there is to keep, unless it is a reading that turned
    /// nothing and the disk hangs so long that no more may wait: its receipt is dropped,
    /// and what can be sent again is sent again.
    fn hand_over(&mut self, mut job: Job, turned: bool) -> Result<(), RunError> {
        if job.readings > 0 && !turned && !self.r.store.has_room() {
            return Ok(());
        }
        if !job.lines.is_empty() {
            let lost = self.r.store.take_refused();
            if lost > 0 {
                job.lines.insert(0, gap_line(lost, job.at));
            }
            self.r.store.handed();
        } else if job.news.is_empty() && job.receipt.is_none() {
            return Ok(());
        }
        Ok(self.r.recorder.record(job)?)
    }

    fn moment(&self) -> Moment {
        let mono_ns = self.r.clock.now().mono_ns;
        Moment { mono_ns, offset_ns: self.steps.offset_ns(), clock_sure: self.trust.is_sure() }
    }

    fn tell(&self, news: Arc<News>) {
        // Without an outlet nobody listens, and that is no fault.
        let _ = self.r.news.send(news);
    }

    fn publish(&mut self) {
        let at = self.moment();
        self.shown.view = self.r.engine.view();
        self.shown.wall_ns = at.wall_ns();
        self.shown.offset_ns = at.offset_ns;
        self.shown.clock_sure = at.clock_sure;
        for (seen, tally) in self.shown.sources.iter_mut().zip(&self.r.tallies) {
            seen.counted = tally.counted().to_vec();
        }
        self.r.snapshot.send_replace(Arc::new(self.shown.clone()));
    }
}
