//! A Modbus line, on a thread of its own: asks each transmitter in turn.
//!
//! Duty: keep the line open; ask for every register once a round; give what
//! was answered, or why nothing was, to the runner.
//!
//! Terms: a *round* asks for every register once. *No answer* is a reading
//! without a number; a *port* that fails is closed and opened again with
//! growing pauses. An answer is *owed* while a question went without one: it
//! may still come.
//!
//! Invariants: one request is on the line at a time; a late answer is never
//! taken for another's (RTU, whose answers bear no register's number: a unit that
//! owes one is not asked again until it came, and is thrown away, or cannot come
//! any more; others are asked meanwhile. TCP: the transaction's number); a
//! question is asked twice at most, and once where its unit was silent the last
//! time, so that a dead one does not slow the others.
//!
//! Deliberately absent: writing to a transmitter.

use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::input::{Incoming, Input};
use super::source::{Gone, Tally, Way};
use crate::config::modbus::{Link, ModbusLine, Polled};
use crate::engine::probe::Health;
use crate::sensor::raw::{Raw, Signal};
use crate::wire::modbus::{ModbusError, Request};

mod owed;
mod port;

use port::Port;

/// Pauses between attempts to open: first and longest.
const PAUSES: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(2));

/// So long at most until a stop is seen.
const NAP: Duration = Duration::from_millis(20);

/// How often a question is asked before there is no answer.
const ATTEMPTS: usize = 2;

/// Why there are no registers.
#[derive(Debug, thiserror::Error)]
enum NoAnswer {
    /// The port fails: it is opened anew.
    #[error("{0}")]
    Port(#[from] std::io::Error),
    /// Nothing came in time.
    #[error(
        "unit {unit} does not answer within {within_s} s: is it on, and are number, speed and parity as set?"
    )]
    Silent { unit: u8, within_s: f64 },
    /// What came is no answer to this question.
    #[error(transparent)]
    Reply(#[from] ModbusError),
    /// The line is to be left.
    #[error("stopping")]
    Stopping,
}

impl NoAnswer {
    /// Whether the same question may yet be answered. What a transmitter
    /// refuses once it refuses again.
    fn may_be_asked_again(&self) -> bool {
        match self {
            Self::Silent { .. } => true,
            Self::Reply(e) => !matches!(e, ModbusError::Exception { .. }),
            Self::Port(_) | Self::Stopping => false,
        }
    }
}

/// So long a line is left alone once it is open, seconds: whoever had it before us may
/// have asked, and RTU's answers do not say to what they are one.
pub fn left_alone_s(line: &ModbusLine) -> f64 {
    match line.link {
        Link::Rtu { .. } => owed::patience_s(line.answer_within_s),
        Link::Tcp(_) => 0.0,
    }
}

/// Starts the line's thread. It ends when `stop` is cancelled or the runner is
/// gone.
///
/// # Errors
/// The thread cannot be started.
pub fn start(line: ModbusLine, way: Way, stop: CancellationToken) -> std::io::Result<JoinHandle<()>> {
    std::thread::Builder::new().name(format!("modbus {}", line.name)).spawn(move || {
        let mut poller =
            Poller { line, way, stop, told: false, told_late: Cell::default(), silent: RefCell::default() };
        // Gone only says that the daemon is stopping; there is nothing to mend.
        let _ = poller.keep_open();
    })
}

struct Poller {
    line: ModbusLine,
    way: Way,
    stop: CancellationToken,
    /// That the port is not there has been said.
    told: bool,
    /// That answers come too late has been said.
    told_late: Cell<bool>,
    /// Units that left their last question unanswered.
    silent: RefCell<BTreeSet<u8>>,
}

impl Poller {
    fn keep_open(&mut self) -> Result<(), Gone> {
        let mut pause = PAUSES.0;
        while !self.stop.is_cancelled() {
            match Port::open(&self.line.link, self.line.answer_within_s) {
                Ok(mut port) => {
                    self.told = false;
                    self.way.tally.absent.put(None);
                    self.way.send(self.way.link(true))?;
                    tracing::info!(source = %self.line.name, "{}: the line is open", self.line.name);
                    self.wait(Duration::from_secs_f64(left_alone_s(&self.line)));
                    let rounds = self.rounds(&mut port)?;
                    self.way.send(self.way.link(false))?;
                    Tally::count(&self.way.tally.reopened, 1);
                    // A line that never answered goes on waiting longer.
                    if rounds > 0 {
                        pause = PAUSES.0;
                    }
                }
                Err(e) => {
                    let why = format!("the line cannot be opened ({e})");
                    if !std::mem::replace(&mut self.told, true) {
                        tracing::warn!(source = %self.line.name, "{}: {why}; it is tried again until it can", self.line.name);
                    }
                    self.way.tally.absent.put(Some(format!("{}: {why}", self.line.name)));
                }
            }
            self.wait(pause);
            pause = (pause * 2).min(PAUSES.1);
        }
        Ok(())
    }

    /// Asks round after round until the port fails; how many were whole.
    fn rounds(&self, port: &mut Port) -> Result<u64, Gone> {
        let mut rounds = 0;
        while !self.stop.is_cancelled() {
            let began_ns = self.way.clock.now().mono_ns;
            for polled in &self.line.registers {
                if self.stop.is_cancelled() {
                    return Ok(rounds);
                }
                let raw = match self.ask(port, polled) {
                    Ok(registers) => polled.register.raw(&registers),
                    Err(NoAnswer::Stopping) => return Ok(rounds),
                    Err(NoAnswer::Port(e)) => {
                        tracing::warn!(source = %self.line.name, "{}: {e}; the line is opened anew", self.line.name);
                        return Ok(rounds);
                    }
                    Err(why) => {
                        Tally::count(&self.way.tally.refused, 1);
                        missing(why.to_string())
                    }
                };
                if let Some(reading) = self.way.reading(&polled.probe, None, &raw) {
                    self.way.send(Input::of(Incoming::Reading(reading)))?;
                }
            }
            rounds += 1;
            let spent = Duration::from_nanos(self.way.clock.now().mono_ns.saturating_sub(began_ns));
            self.wait(Duration::from_secs_f64(self.line.every_s).saturating_sub(spent));
        }
        Ok(rounds)
    }

    fn ask(&self, port: &mut Port, polled: &Polled) -> Result<Vec<u16>, NoAnswer> {
        let request = polled.register.request();
        if !self.may_ask(port, request)? {
            return Err(self.silent(request));
        }
        let attempts = if self.silent.borrow().contains(&request.unit) { 1 } else { ATTEMPTS };
        let mut attempt = 1;
        loop {
            let answer = self.ask_once(port, request);
            let Err(why) = &answer else {
                self.silent.borrow_mut().remove(&request.unit);
                return answer;
            };
            if attempt == attempts || !why.may_be_asked_again() || !self.may_ask(port, request)? {
                let mut silent = self.silent.borrow_mut();
                match why {
                    NoAnswer::Silent { unit, .. } => silent.insert(*unit),
                    _ => silent.remove(&request.unit),
                };
                return answer;
            }
            attempt += 1;
        }
    }

    fn may_ask(&self, port: &mut Port, request: Request) -> Result<bool, NoAnswer> {
        let may = port.may_ask(request.unit, self.way.clock.now().mono_ns)?;
        if port.came_late() && !self.told_late.replace(true) {
            let (name, s) = (&self.line.name, self.line.answer_within_s);
            tracing::warn!(source = %name, "{name}: an answer came later than {s} s and is thrown away; if that goes on, raise answer-within-s");
        }
        Ok(may)
    }

    fn silent(&self, request: Request) -> NoAnswer {
        NoAnswer::Silent { unit: request.unit, within_s: self.line.answer_within_s }
    }

    fn ask_once(&self, port: &mut Port, request: Request) -> Result<Vec<u16>, NoAnswer> {
        let asked_ns = self.way.clock.now().mono_ns;
        port.send(request, asked_ns)?;
        let deadline_ns = asked_ns + (self.line.answer_within_s * 1e9) as u64;
        let mut why = self.silent(request);
        loop {
            match nothing_yet(port.receive(request)) {
                // Another unit's, too late: ours may come yet.
                Err(e @ NoAnswer::Reply(ModbusError::NotOurs { .. })) => why = e,
                read => {
                    if let Some(registers) = read?.flatten() {
                        return Ok(registers);
                    }
                }
            }
            if self.stop.is_cancelled() {
                return Err(NoAnswer::Stopping);
            }
            if self.way.clock.now().mono_ns >= deadline_ns {
                return Err(why);
            }
        }
    }

    /// Waits in the world's time, and not beyond a stop.
    fn wait(&self, mut span: Duration) {
        while !span.is_zero() && !self.stop.is_cancelled() {
            let nap = span.min(NAP);
            std::thread::sleep(nap);
            span -= nap;
        }
    }
}

/// A read that only waited has read nothing.
fn nothing_yet<T>(read: Result<T, NoAnswer>) -> Result<Option<T>, NoAnswer> {
    match read {
        Ok(read) => Ok(Some(read)),
        Err(NoAnswer::Port(e))
            if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted) =>
        {
            Ok(None)
        }
        Err(other) => Err(other),
    }
}

fn missing(why: String) -> Raw {
    Raw { said: Some((Health::Failure, why)), ..Raw::of(Signal::Nothing) }
}
