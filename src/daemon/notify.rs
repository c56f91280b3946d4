//! Word to the supervisor: ready, alive, stopping (systemd's `sd_notify`
//! protocol over a datagram socket).
//!
//! Alive means that the runner turned since the last word: a blocked runner is
//! found out and restarted, a slow disk alone never is.

use std::ffi::OsString;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::outlet::{Feed, Outlet, Running};

/// Speaks to the supervisor that started the process.
#[derive(Debug)]
pub struct Notify {
    socket: UnixDatagram,
    /// A word at least so often.
    ping_every: Option<Duration>,
}

impl Notify {
    /// As the environment says (`NOTIFY_SOCKET`, `WATCHDOG_USEC`); `None`
    /// where no supervisor listens.
    pub fn from_environment() -> Option<Self> {
        let path = std::env::var_os("NOTIFY_SOCKET").filter(|p| !p.is_empty())?;
        let usec = std::env::var("WATCHDOG_USEC").ok().and_then(|u| u.parse().ok());
        match Self::to(&path, usec.map(Duration::from_micros)) {
            Ok(notify) => Some(notify),
            Err(e) => {
                tracing::warn!("the supervisor's socket {} cannot be reached: {e}", path.display());
                None
            }
        }
    }

    /// To the socket at `path` (`@` first: an abstract one). The supervisor
    /// waits at most `watchdog` for a word.
    ///
    /// # Errors
    /// The socket cannot be reached.
    pub fn to(path: &OsString, watchdog: Option<Duration>) -> io::Result<Self> {
        let address = match path.as_bytes() {
            [b'@', name @ ..] => SocketAddr::from_abstract_name(name)?,
            _ => SocketAddr::from_pathname(path)?,
        };
        let socket = UnixDatagram::unbound()?;
        socket.connect_addr(&address)?;
        socket.set_nonblocking(true)?;
        Ok(Self { socket, ping_every: watchdog.map(|w| w / 3) })
    }

    fn say(&self, words: &str) {
        if let Err(e) = self.socket.send(words.as_bytes()) {
            tracing::debug!("the supervisor was not told {words:?}: {e}");
        }
    }
}

impl Outlet for Notify {
    fn name(&self) -> String {
        "the supervisor's socket".into()
    }

    fn run(self: Box<Self>, mut feed: Feed, stop: CancellationToken) -> Running {
        Box::pin(async move {
            // A first turn of the runner is what ready means.
            let turned = feed.snapshot.changed();
            tokio::select! {
                () = stop.cancelled() => {}
                _ = turned => self.say("READY=1\nSTATUS=reading the probes"),
            }
            let every = self.ping_every.unwrap_or(Duration::from_secs(3600));
            loop {
                tokio::select! {
                    () = stop.cancelled() => break,
                    () = tokio::time::sleep(every) => {}
                }
                if self.ping_every.is_some() && feed.snapshot.has_changed().unwrap_or(false) {
                    feed.snapshot.mark_unchanged();
                    self.say("WATCHDOG=1");
                }
            }
            self.say("STOPPING=1\nSTATUS=syncing what was received");
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::daemon::outlet::{Commands, Leaving, Snapshot};
    use std::sync::Arc;
    use tokio::sync::{broadcast, mpsc, watch};

    #[tokio::test(flavor = "current_thread")]
    async fn a_runner_that_does_not_turn_is_not_called_alive() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notify");
        let supervisor = UnixDatagram::bind(&path).unwrap();
        supervisor.set_nonblocking(true).unwrap();
        let notify = Notify::to(&path.into_os_string(), Some(Duration::from_millis(30))).unwrap();
        let shown = watch::Sender::new(Arc::new(Snapshot::default()));
        let feed = Feed {
            news: broadcast::channel(4).0,
            snapshot: shown.subscribe(),
            taken: tokio::sync::watch::Sender::new(0).subscribe(),
            commands: Commands::into(mpsc::channel(1).0),
            leaving: Leaving::default(),
        };
        let stop = CancellationToken::new();
        let running = tokio::spawn(Box::new(notify).run(feed, stop.clone()));
        let heard = || {
            let mut all = String::new();
            let mut word = [0; 256];
            while let Ok(n) = supervisor.recv(&mut word) {
                all.push_str(&String::from_utf8_lossy(&word[..n]));
                all.push('|');
            }
            all
        };
        shown.send_replace(Arc::new(Snapshot::default()));
        tokio::time::sleep(Duration::from_millis(5)).await;
        assert!(heard().starts_with("READY=1\n"));
        tokio::time::sleep(Duration::from_millis(60)).await;
        assert_eq!(heard(), "", "nothing turned");
        shown.send_replace(Arc::new(Snapshot::default()));
        tokio::time::sleep(Duration::from_millis(60)).await;
        assert_eq!(heard(), "WATCHDOG=1|");
        stop.cancel();
        running.await.unwrap().unwrap();
        assert!(heard().contains("STOPPING=1"));
    }
}
