//! Logging: quiet by default; one line for what a maker would want to know.
//!
//! On a terminal a line is `word  text`. Under journald each event goes to the
//! journal's own socket with its fields, so that `journalctl PROBE=kettle`
//! finds it. `CURDTRACE_LOG` changes what is said, such as
//! `CURDTRACE_LOG=curdtrace::daemon::mqtt=debug,warn`.

use std::fmt::Write as _;
use std::io::{self, IsTerminal as _};
use std::os::unix::net::UnixDatagram;

use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Context, Layer, SubscriberExt as _};
use tracing_subscriber::util::SubscriberInitExt as _;

use super::aside;

/// What is said where nothing else is asked for.
pub const USUAL: &str = "curdtrace=info,warn";

/// The journal's socket.
const JOURNAL: &str = "/run/systemd/journal/socket";

/// Sees to it that what was said is written before the process ends.
#[derive(Debug)]
#[must_use]
pub struct Logging(());

impl Drop for Logging {
    fn drop(&mut self) {
        aside::stderr().last_words();
    }
}

/// Starts logging for the whole process, for as long as the answer lives; a
/// second call does nothing.
pub fn start() -> Logging {
    let asked = std::env::var("CURDTRACE_LOG").unwrap_or_default();
    let usual = || USUAL.parse().unwrap_or_else(|_| Targets::new().with_default(Level::WARN));
    let (targets, refused) = match asked.parse::<Targets>() {
        Ok(t) if !asked.is_empty() => (t, false),
        other => (usual(), other.is_err()),
    };
    let journal = stderr_is_journal().then(Journal::open).and_then(Result::ok);
    let done = if let Some(journal) = journal {
        tracing_subscriber::registry().with(journal.with_filter(targets)).try_init()
    } else {
        let plain = tracing_subscriber::fmt::layer()
            .with_writer(aside::stderr)
            .with_target(false)
            .with_ansi(io::stderr().is_terminal())
            .without_time();
        tracing_subscriber::registry().with(plain.with_filter(targets)).try_init()
    };
    if refused && done.is_ok() {
        tracing::warn!("CURDTRACE_LOG={asked} cannot be read; write it as {USUAL}");
    }
    Logging(())
}

/// `JOURNAL_STREAM` names device and inode of the journal's pipe; what
/// matters is whether ours is still that one.
fn stderr_is_journal() -> bool {
    let Ok(stream) = std::env::var("JOURNAL_STREAM") else { return false };
    rustix::fs::fstat(io::stderr()).is_ok_and(|s| stream == format!("{}:{}", s.st_dev, s.st_ino))
}

/// Sends each event to the journal with its fields.
#[derive(Debug)]
struct Journal {
    socket: UnixDatagram,
}

impl Journal {
    fn open() -> io::Result<Self> {
        let socket = UnixDatagram::unbound()?;
        socket.connect(JOURNAL)?;
        socket.set_nonblocking(true)?;
        Ok(Self { socket })
    }
}

impl<S: Subscriber> Layer<S> for Journal {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let mut entry = Entry::default();
        entry.add("PRIORITY", priority(*event.metadata().level()));
        entry.add("SYSLOG_IDENTIFIER", "curdtrace");
        entry.add("TARGET", event.metadata().target());
        event.record(&mut entry);
        // A journal that does not listen must not stop the daemon.
        let _ = self.socket.send(&entry.bytes);
    }
}

/// Syslog's number for a level.
fn priority(level: Level) -> &'static str {
    match level {
        Level::ERROR => "3",
        Level::WARN => "4",
        Level::INFO => "6",
        _ => "7",
    }
}

/// One entry in the journal's native form: `FIELD=text` and a newline, or,
/// where the text has newlines itself, the field, a newline, the length as
/// 64 bits little endian, the text and a newline.
#[derive(Debug, Default)]
struct Entry {
    bytes: Vec<u8>,
}

impl Entry {
    fn add(&mut self, field: &str, text: &str) {
        self.bytes.extend_from_slice(field.as_bytes());
        if text.contains('\n') {
            self.bytes.push(b'\n');
            self.bytes.extend_from_slice(&(text.len() as u64).to_le_bytes());
        } else {
            self.bytes.push(b'=');
        }
        self.bytes.extend_from_slice(text.as_bytes());
        self.bytes.push(b'\n');
    }
}

impl Visit for Entry {
    fn record_debug(&mut self, field: &Field, value: &dyn std::fmt::Debug) {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = write!(text, "{value:?}");
        self.record_str(field, &text);
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        let name: String = field
            .name()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_uppercase() } else { '_' })
            .collect();
        // The journal takes no field that begins with an underscore.
        self.add(name.trim_start_matches('_'), value);
    }
}

#[cfg(test)]
mod tests {
    use super::Entry;

    #[test]
    fn an_entry_is_as_the_journals_protocol_wants_it() {
        // The form is systemd's "Native Journal Protocol" page; from memory.
        let mut entry = Entry::default();
        entry.add("PRIORITY", "6");
        entry.add("MESSAGE", "a\nb");
        assert_eq!(entry.bytes, b"PRIORITY=6\nMESSAGE\n\x03\0\0\0\0\0\0\0a\nb\n");
    }
}
