//! A serial port, on a thread of its own.
//!
//! Duty: keep the port open whatever happens to it; give its bytes to the
//! format's reader; send acknowledgements, signs of life and alarms down the
//! line. A box unplugged and plugged again needs nobody.
//!
//! Terms: *hung up* is a port that reads no bytes although it is readable, or
//! fails: it is closed and opened again with growing pauses. *Stalled* is one
//! that is open and silent for too long: it is opened again too, since some
//! adapters need that; each time in vain the next comes later, up to
//! [`LONGEST_STALL_S`]. Only what changes is logged.
//!
//! Deliberately absent: a list of ports to try. The port is the one that is
//! configured, by its stable name, or none.

use std::io::{ErrorKind, Read as _, Write as _};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

use serialport::{ClearBuffer, SerialPort as _, TTYPort};
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

use super::heard::Heard;
use super::line_reader::LineReader;
use super::outlet::Snapshot;
use super::sounding::Sounder;
use super::source::{Gone, Tally, Way};
use crate::config::source::{Format, SerialPort};
use crate::wire::frame::{Frame, encode};

/// How long one read waits: so late at most an acknowledgement goes out.
const READ_WAITS: Duration = Duration::from_millis(20);

/// Pauses between attempts to open a port: first and longest. A replugged box
/// is back within the longest.
const PAUSES: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(2));

/// A port that lived shorter than this before it hung up counts as not there:
/// the pauses go on growing.
const LIVED: Duration = Duration::from_secs(1);

/// A port that stays silent is opened anew at least so often, seconds.
const LONGEST_STALL_S: f64 = 300.0;

/// What waits in a port that is opened is thrown away for so long at most: a box
/// that never pauses is read from there on. Frames that are lost come again; a box on
/// USB may hold some itself until then.
const DRAINED_WITHIN: Duration = Duration::from_millis(200);
const FRAMES_DRAINED_WITHIN: Duration = Duration::from_millis(60);

/// Starts the port's thread, with what is known of its box's frames. It ends when `stop` is cancelled or the runner is
/// gone.
///
/// # Errors
/// The thread cannot be started.
pub fn start(
    port: SerialPort,
    way: Way,
    heard: Heard,
    snapshot: watch::Receiver<std::sync::Arc<Snapshot>>,
    stop: CancellationToken,
) -> std::io::Result<JoinHandle<()>> {
    let name = format!("serial {}", port.name);
    std::thread::Builder::new().name(name).spawn(move || {
        let (down, downs) = mpsc::channel();
        let reader = LineReader::new(&port, way.clone(), heard, down);
        let sounder = Sounder::new(way.clock.clone());
        let mut line = Line { port, way, stop, snapshot, reader, downs, sounder, told: false, silences: 0 };
        // Gone only says that the daemon is stopping; there is nothing to mend.
        let _ = line.keep_open();
    })
}

struct Line {
    port: SerialPort,
    way: Way,
    stop: CancellationToken,
    snapshot: watch::Receiver<std::sync::Arc<Snapshot>>,
    reader: LineReader,
    /// Frames that are to go down the line.
    downs: mpsc::Receiver<Frame>,
    sounder: Sounder,
    /// That the port is not there has been said.
    told: bool,
    /// So often it was opened anew since a byte came.
    silences: u32,
}

/// Why an open port was left.
enum Left {
    Stopping,
    HungUp(String),
    Stalled,
}

impl Line {
    fn keep_open(&mut self) -> Result<(), Gone> {
        let mut pause = PAUSES.0;
        while !self.stop.is_cancelled() {
            let opened_ns = self.way.clock.now().mono_ns;
            match self.open() {
                Ok(mut tty) => {
                    self.way.tally.absent.put(None);
                    let left = self.listen(&mut tty)?;
                    let lived = Duration::from_nanos(self.way.clock.now().mono_ns.saturating_sub(opened_ns));
                    self.leave(&left)?;
                    if matches!(left, Left::Stopping) {
                        return Ok(());
                    }
                    if lived > LIVED {
                        pause = PAUSES.0;
                    }
                }
                Err(e) => self.not_there(&e),
            }
            self.wait(pause);
            pause = (pause * 2).min(PAUSES.1);
        }
        Ok(())
    }

    fn open(&self) -> Result<TTYPort, serialport::Error> {
        let path = self.port.port.to_string_lossy();
        serialport::new(path, self.port.baud).timeout(READ_WAITS).open_native()
    }

    fn not_there(&mut self, e: &serialport::Error) {
        let why = format!("{} cannot be opened ({e}){}", self.port.port.display(), remedy(e));
        if !self.told {
            self.told = true;
            tracing::warn!(source = %self.port.name, "{}: {why}; it is tried again until it can", self.port.name);
        }
        self.way.tally.absent.put(Some(why));
    }

    /// Waits between two attempts, in the world's time: a device needs that
    /// long whatever the daemon's clock says.
    fn wait(&self, pause: Duration) {
        let steps = pause.as_millis().div_ceil(READ_WAITS.as_millis());
        for _ in 0..steps {
            if self.stop.is_cancelled() {
                return;
            }
            std::thread::sleep(READ_WAITS);
        }
    }

    /// Throws away what waits in the port: it was sent nobody knows when, and as
    /// readings of now it would be wrong. A frame's age, too, was right when it was
    /// sent; as nobody acknowledges it, its box sends it again.
    fn drain(&self, tty: &mut TTYPort) {
        if self.port.own_time {
            return;
        }
        let within = if self.port.format == Format::Frames { FRAMES_DRAINED_WITHIN } else { DRAINED_WITHIN };
        // A port that cannot be flushed says so at the next read too.
        let _ = tty.clear(ClearBuffer::Input);
        let mut bytes = [0; 4096];
        for _ in 0..within.as_millis() / READ_WAITS.as_millis() {
            // Nothing more waits, or the port says so at the next read too.
            if !tty.read(&mut bytes).is_ok_and(|n| n > 0) {
                return;
            }
        }
    }

    /// Something came: a silence that was told is over.
    fn heard(&mut self) {
        if self.silences > 0 {
            tracing::info!(source = %self.port.name, "{}: something comes again", self.port.name);
        }
        self.silences = 0;
    }

    /// Reads until the port is to be left.
    fn listen(&mut self, tty: &mut TTYPort) -> Result<Left, Gone> {
        self.drain(tty);
        self.reader.opened();
        self.told = false;
        self.way.send(self.way.link(true))?;
        if self.silences == 0 {
            tracing::info!(source = %self.port.name, "{}: {} is open", self.port.name, self.port.port.display());
        }
        let stall_ns = (stall_s(self.port.stall_s, self.silences) * 1e9) as u64;
        let mut last_byte_ns = self.way.clock.now().mono_ns;
        let mut bytes = [0; 4096];
        loop {
            if self.stop.is_cancelled() {
                self.farewell(tty);
                return Ok(Left::Stopping);
            }
            match tty.read(&mut bytes) {
                Ok(0) => return Ok(Left::HungUp("it reads no bytes".into())),
                Ok(n) => {
                    last_byte_ns = self.way.clock.now().mono_ns;
                    self.heard();
                    self.reader.store(self.snapshot.borrow().store_trouble.is_none());
                    self.reader.take(&bytes[..n])?;
                }
                Err(e) if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => {}
                Err(e) => return Ok(Left::HungUp(e.to_string())),
            }
            if self.way.clock.now().mono_ns.saturating_sub(last_byte_ns) > stall_ns {
                return Ok(Left::Stalled);
            }
            if let Err(e) = self.answer(tty) {
                return Ok(Left::HungUp(e.to_string()));
            }
        }
    }

    /// Sends what is due down the line.
    fn answer(&mut self, tty: &mut TTYPort) -> std::io::Result<()> {
        if self.port.format != Format::Frames || !self.port.answers {
            while self.downs.try_recv().is_ok() {}
            return Ok(());
        }
        let mut out: Vec<u8> = self.downs.try_iter().flat_map(|f| encode(&f)).collect();
        let shown = self.snapshot.borrow().clone();
        out.extend(self.sounder.due(&shown).iter().flat_map(encode));
        if out.is_empty() { Ok(()) } else { tty.write_all(&out) }
    }

    /// The daemon ends on purpose: the box must not cry for it.
    fn farewell(&mut self, tty: &mut TTYPort) {
        let _ = self.answer(tty);
        if self.port.format == Format::Frames && self.port.answers {
            // The box may be gone already; then it hears nothing anyway.
            let _ = tty.write_all(&encode(&Frame::KeepAlive { within_s: 0 }));
            let _ = tty.flush();
        }
    }

    fn leave(&mut self, left: &Left) -> Result<(), Gone> {
        let name = &self.port.name;
        match left {
            Left::Stopping => return Ok(()),
            Left::HungUp(why) => {
                self.silences = 0;
                Tally::count(&self.way.tally.reopened, 1);
                tracing::warn!(source = %name, "{name}: the box is gone ({why}); plug it in again, nothing else is needed");
            }
            Left::Stalled => {
                Tally::count(&self.way.tally.stalls, 1);
                if self.silences == 0 {
                    tracing::warn!(source = %name, "{name}: nothing came for {} s; the port is opened anew, and ever more seldom until something comes: look at the box, its cable and its power", self.port.stall_s);
                }
                self.silences = self.silences.saturating_add(1);
            }
        }
        self.told = true;
        self.way.send(self.way.link(false))
    }
}

/// What can be done where a port cannot be opened, as it goes on after why.
pub(super) fn remedy(e: &serialport::Error) -> &'static str {
    let text = e.to_string();
    if matches!(e.kind(), serialport::ErrorKind::Io(ErrorKind::PermissionDenied)) {
        ": your user must be in the port's group (sudo usermod -aG dialout $USER, then log in anew)"
    } else if text.contains("lock") || text.contains("busy") {
        ": another program holds it; end that one first"
    } else {
        ""
    }
}

/// After so long a silence a port is opened anew that was so often in vain,
/// seconds: twice as long each time.
fn stall_s(set_s: f64, silences: u32) -> f64 {
    (set_s * f64::from(silences.min(16)).exp2()).min(LONGEST_STALL_S.max(set_s))
}

#[cfg(test)]
mod tests {
    use super::stall_s;

    /// A box that was off wrote two lines into the log every ten seconds.
    #[test]
    fn a_silent_port_is_opened_ever_more_seldom() {
        let waits: Vec<u32> = (0..7).map(|n| stall_s(10.0, n) as u32).collect();
        assert_eq!(waits, [10, 20, 40, 80, 160, 300, 300]);
        assert!((stall_s(3600.0, 3) - 3600.0).abs() < 1e-9 && stall_s(1.0, u32::MAX) <= 300.0);
    }
}
