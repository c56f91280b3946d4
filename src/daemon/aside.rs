//! Standard error for those who must not wait for it.
//!
//! A terminal that is held (Ctrl-S) or a log that takes nothing stops whoever
//! writes to it; engine, alarms and page share one thread. So a thread of its
//! own writes, and what finds the queue full is lost and counted.

use std::io::{self, Write};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

/// Writes that may wait.
const QUEUED: usize = 1024;

/// At the end, what waits has so long to go out.
const LAST_WORDS: Duration = Duration::from_secs(1);

/// How often a full queue is looked at meanwhile.
const LOOKS: u32 = 50;

/// What waits to be written.
enum Order {
    Text(Vec<u8>),
    /// Dropped once all before it is written.
    Mark(SyncSender<()>),
}

/// A writer that nobody waits for.
#[derive(Debug)]
pub struct Aside {
    orders: SyncSender<Order>,
    lost: AtomicU64,
}

static STDERR: LazyLock<Aside> = LazyLock::new(|| Aside::over(io::stderr()));

/// Standard error.
pub fn stderr() -> &'static Aside {
    &STDERR
}

impl Aside {
    fn over(out: impl Write + Send + 'static) -> Self {
        let (orders, waiting) = sync_channel(QUEUED);
        // Without its thread nothing can be said here; the alarms go on.
        let _ = std::thread::Builder::new().name("stderr".into()).spawn(move || write_all(out, &waiting));
        Self { orders, lost: AtomicU64::new(0) }
    }

    /// Has `text` written; never waits.
    pub fn say(&self, text: &[u8]) {
        let lost = self.lost.swap(0, Ordering::Relaxed);
        let mut whole = Vec::with_capacity(text.len());
        if lost > 0 {
            whole.extend_from_slice(format!("({lost} lines could not be shown)\n").as_bytes());
        }
        whole.extend_from_slice(text);
        if let Err(TrySendError::Full(_)) = self.orders.try_send(Order::Text(whole)) {
            self.lost.fetch_add(lost + 1, Ordering::Relaxed);
        }
    }

    /// Waits until what was said is written, a second or two at most.
    pub fn last_words(&self) {
        let (mark, written) = sync_channel(0);
        let mut order = Order::Mark(mark);
        for _ in 0..LOOKS {
            match self.orders.try_send(order) {
                Ok(()) => break,
                Err(TrySendError::Full(back) | TrySendError::Disconnected(back)) => order = back,
            }
            std::thread::sleep(LAST_WORDS / LOOKS);
        }
        // Written, or too late: either way the process ends now.
        let _ = written.recv_timeout(LAST_WORDS);
    }
}

impl Write for &Aside {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        self.say(text);
        Ok(text.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn write_all(mut out: impl Write, waiting: &Receiver<Order>) {
    for order in waiting {
        match order {
            // A terminal that has gone away is no trouble of the make.
            Order::Text(text) => _ = out.write_all(&text).and_then(|()| out.flush()),
            Order::Mark(written) => drop(written),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;
    use std::sync::{Arc, Mutex};

    use super::*;

    /// Takes nothing until it is let go.
    struct Held(std::sync::mpsc::Receiver<()>, Arc<Mutex<Vec<u8>>>);

    impl Write for Held {
        fn write(&mut self, text: &[u8]) -> io::Result<usize> {
            // An error is being let go for good.
            let _ = self.0.recv();
            self.1.lock().unwrap().extend_from_slice(text);
            Ok(text.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// A held terminal stopped engine, alarms and page with the line they said.
    #[test]
    fn a_held_terminal_holds_up_nobody() {
        let (go, held) = channel();
        let written = Arc::new(Mutex::new(Vec::new()));
        let aside = Aside::over(Held(held, written.clone()));
        for n in 0..QUEUED + 100 {
            aside.say(format!("{n}\n").as_bytes());
        }
        drop(go);
        aside.last_words();
        aside.say(b"on\n");
        aside.last_words();
        let written = String::from_utf8(written.lock().unwrap().clone()).unwrap();
        assert!(written.starts_with("0\n1\n2\n"), "in their order");
        assert!(written.contains(" lines could not be shown)\non\n"), "{written}");
    }
}
