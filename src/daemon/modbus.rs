//! A Modbus line, on a thread of its own: asks each transmitter in turn.
//!
//! Duty: keep the line open; ask for every register once a round; give what
//! was answered, or why nothing was, to the runner.
//!
//! Terms: a *round* asks for every register once. *No answer* is a reading
//! without a number; a *port* that fails is closed and opened again with
//! growing pauses.
//!
//! Invariants: one request is on the line at a time; a late answer is never
//! taken for another's (RTU: what lies there is thrown away before asking;
//! TCP: the transaction's number); a question is asked twice at most.
//!
//! Deliberately absent: writing to a transmitter.

use std::io::ErrorKind;
use std::thread::JoinHandle;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::input::{Incoming, Input};
use super::source::{Gone, Tally, Way};
use crate::config::modbus::{ModbusLine, Polled};
use crate::engine::probe::Health;
use crate::sensor::raw::{Raw, Signal};

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
    /// The port is well, the transmitter is not.
    #[error("{0}")]
    Transmitter(String),
}

/// Starts the line's thread. It ends when `stop` is cancelled or the runner is
/// gone.
///
/// # Errors
/// The thread cannot be started.
pub fn start(line: ModbusLine, way: Way, stop: CancellationToken) -> std::io::Result<JoinHandle<()>> {
    std::thread::Builder::new().name(format!("modbus {}", line.name)).spawn(move || {
        let mut poller = Poller { line, way, stop, told: false };
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
}

impl Poller {
    fn keep_open(&mut self) -> Result<(), Gone> {
        let mut pause = PAUSES.0;
        while !self.stop.is_cancelled() {
            match Port::open(&self.line.link, self.line.answer_within_s) {
                Ok(mut port) => {
                    self.told = false;
                    self.way.send(self.way.link(true))?;
                    tracing::info!(source = %self.line.name, "{}: the line is open", self.line.name);
                    let rounds = self.rounds(&mut port)?;
                    self.way.send(self.way.link(false))?;
                    Tally::count(&self.way.tally.reopened, 1);
                    // A line that never answered goes on waiting longer.
                    if rounds > 0 {
                        pause = PAUSES.0;
                    }
                }
                Err(e) if !self.told => {
                    self.told = true;
                    tracing::warn!(source = %self.line.name, "{}: the line cannot be opened ({e}); it is tried again until it can", self.line.name);
                }
                Err(_) => {}
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
                    Err(NoAnswer::Transmitter(why)) => {
                        Tally::count(&self.way.tally.refused, 1);
                        missing(why)
                    }
                    Err(NoAnswer::Port(e)) => {
                        tracing::warn!(source = %self.line.name, "{}: {e}; the line is opened anew", self.line.name);
                        return Ok(rounds);
                    }
                };
                let reading = self.way.reading(&polled.probe, None, &raw);
                self.way.send(Input::of(Incoming::Reading(reading)))?;
            }
            rounds += 1;
            let spent = Duration::from_nanos(self.way.clock.now().mono_ns.saturating_sub(began_ns));
            self.wait(Duration::from_secs_f64(self.line.every_s).saturating_sub(spent));
        }
        Ok(rounds)
    }

    fn ask(&self, port: &mut Port, polled: &Polled) -> Result<Vec<u16>, NoAnswer> {
        let request = polled.register.request();
        let mut last = None;
        for _ in 0..ATTEMPTS {
            match self.ask_once(port, request) {
                // What it refuses once it refuses again.
                Err(NoAnswer::Transmitter(why)) if !why.contains("refuses") => last = Some(why),
                other => return other,
            }
        }
        Err(NoAnswer::Transmitter(last.unwrap_or_default()))
    }

    fn ask_once(&self, port: &mut Port, request: crate::wire::modbus::Request) -> Result<Vec<u16>, NoAnswer> {
        port.send(request)?;
        let deadline_ns = self.way.clock.now().mono_ns + (self.line.answer_within_s * 1e9) as u64;
        loop {
            match port.receive(request) {
                Ok(Some(registers)) => return Ok(registers),
                Ok(None) => {}
                Err(NoAnswer::Port(e))
                    if matches!(
                        e.kind(),
                        ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted
                    ) => {}
                Err(other) => return Err(other),
            }
            if self.way.clock.now().mono_ns >= deadline_ns || self.stop.is_cancelled() {
                let s = self.line.answer_within_s;
                return Err(NoAnswer::Transmitter(format!(
                    "unit {} does not answer within {s} s: is it on, and are number, speed and parity as set?",
                    request.unit
                )));
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

fn missing(why: String) -> Raw {
    Raw { said: Some((Health::Failure, why)), ..Raw::of(Signal::Nothing) }
}
