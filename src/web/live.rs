//! The page, live: server-sent events.
//!
//! Duty: build the state once when it changed, and hand the same bytes to every
//! page that listens. Every message is the whole state, so that a page which
//! lost one, or comes back after a night, needs nothing else.
//!
//! Invariants: at least one message in two seconds, so that a page which hears
//! nothing knows that it is cut off; at most one in 200 ms, unless an alarm
//! changed or a person pressed. A page that lags [`QUEUE`] messages behind is
//! cut, never waited for.
//!
//! Deliberately absent: resuming by `Last-Event-ID`; there is nothing to catch
//! up with.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::Bytes;
use http_body::{Body as HttpBody, Frame};
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior};
use tokio_util::sync::CancellationToken;

use super::Room;
use super::state::{self, Moment};

/// Messages that may wait for one page.
pub const QUEUE: usize = 64;

/// The beat: a message at least this often.
const BEAT: Duration = Duration::from_secs(1);
/// Not more often than this, unless an alarm changed or a person pressed.
const CALM: Duration = Duration::from_millis(200);

/// Everyone who listens.
#[derive(Debug, Default)]
pub struct Hub {
    listeners: Mutex<(u64, BTreeMap<u64, Listener>)>,
    /// Pages cut because they lagged.
    pub laggards: AtomicU64,
    /// Messages sent, to all pages together.
    pub messages: AtomicU64,
}

#[derive(Debug)]
struct Listener {
    queue: mpsc::Sender<Bytes>,
    cut: CancellationToken,
}

impl Hub {
    fn listeners(&self) -> MutexGuard<'_, (u64, BTreeMap<u64, Listener>)> {
        self.listeners.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How many pages listen.
    pub fn count(&self) -> usize {
        self.listeners().1.len()
    }

    /// One more page, first served with `first`; `None` where `most` listen
    /// already. `cut` closes its connection if it lags.
    pub fn join(self: &Arc<Self>, first: Bytes, most: usize, cut: CancellationToken) -> Option<LiveBody> {
        let (queue, messages) = mpsc::channel(QUEUE);
        let mut listeners = self.listeners();
        if listeners.1.len() >= most {
            return None;
        }
        let id = listeners.0;
        listeners.0 += 1;
        // The queue is new and empty, so the first message always fits.
        let _ = queue.try_send(first);
        listeners.1.insert(id, Listener { queue, cut });
        Some(LiveBody { messages, hub: Arc::clone(self), id })
    }

    /// Hands `message` to everyone; cuts who lags.
    pub fn publish(&self, message: &Bytes) {
        let mut listeners = self.listeners();
        let mut sent = 0;
        listeners.1.retain(|_, l| match l.queue.try_send(message.clone()) {
            Ok(()) => {
                sent += 1;
                true
            }
            Err(mpsc::error::TrySendError::Full(_)) => {
                self.laggards.fetch_add(1, Ordering::Relaxed);
                l.cut.cancel();
                false
            }
            Err(mpsc::error::TrySendError::Closed(_)) => false,
        });
        self.messages.fetch_add(sent, Ordering::Relaxed);
    }

    fn leave(&self, id: u64) {
        self.listeners().1.remove(&id);
    }
}

/// An answer that goes on for as long as the page listens.
#[derive(Debug)]
pub struct LiveBody {
    messages: mpsc::Receiver<Bytes>,
    hub: Arc<Hub>,
    id: u64,
}

impl Drop for LiveBody {
    fn drop(&mut self) {
        self.hub.leave(self.id);
    }
}

impl HttpBody for LiveBody {
    type Data = Bytes;
    type Error = std::convert::Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Self::Error>>> {
        self.messages.poll_recv(cx).map(|m| m.map(|bytes| Ok(Frame::data(bytes))))
    }
}

/// The state now, as one server-sent event.
pub fn message(room: &Room) -> Bytes {
    let seen = room.seam.snapshot.borrow().clone();
    let moment = Moment::at(&seen, Instant::now());
    let mut text = String::from("event: state\nretry: 1000\ndata: ");
    let _ = write!(text, "{}", state::whole(moment, &room.run, &room.held.list()));
    text.push_str("\n\n");
    Bytes::from(text)
}

/// Watches what is known and keeps every page told, until `shutdown`.
pub async fn pump(room: Arc<Room>, shutdown: CancellationToken) {
    let mut snapshot = room.seam.snapshot.clone();
    let mut beat = tokio::time::interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut last = Instant::now();
    let mut alarms = String::new();
    loop {
        let mut pressed = false;
        tokio::select! {
            () = shutdown.cancelled() => return,
            _ = beat.tick() => {}
            () = room.held.changed.notified() => pressed = true,
            changed = snapshot.changed() => {
                if changed.is_err() {
                    // The daemon's runner is gone; ages grow and the page says so.
                    tokio::time::sleep(BEAT).await;
                }
            }
        }
        let seen = snapshot.borrow_and_update().clone();
        let alarms_now = alarm_states(&seen.view);
        if !pressed && alarms_now == alarms && last.elapsed() < CALM {
            tokio::time::sleep(CALM.saturating_sub(last.elapsed())).await;
        }
        alarms = alarms_now;
        last = Instant::now();
        if room.hub.count() > 0 {
            room.hub.publish(&message(&room));
        }
    }
}

/// Tells whether any alarm changed.
fn alarm_states(view: &crate::engine::view::View) -> String {
    let mut out = String::new();
    for a in view.kettles.iter().flat_map(|k| &k.alarms).chain(&view.house) {
        let _ = write!(out, "{}={};", a.alarm.name(), a.state.name());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn who_lags_is_cut_at_the_queues_end_and_the_others_go_on() {
        let hub = Arc::new(Hub::default());
        let cut = CancellationToken::new();
        let stalled = hub.join(Bytes::from_static(b"a"), 2, cut.clone()).unwrap();
        let mut alive = hub.join(Bytes::from_static(b"a"), 2, CancellationToken::new()).unwrap();
        assert!(hub.join(Bytes::new(), 2, CancellationToken::new()).is_none());
        for n in 0..QUEUE {
            assert!(!cut.is_cancelled(), "cut early, at {n}");
            hub.publish(&Bytes::from_static(b"b"));
            alive.messages.recv().await.unwrap();
        }
        assert!(cut.is_cancelled());
        assert_eq!((hub.count(), hub.laggards.load(Ordering::Relaxed)), (1, 1));
        drop(stalled);
        drop(alive);
        assert_eq!(hub.count(), 0);
    }
}
