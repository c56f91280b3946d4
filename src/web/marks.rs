//! Marks that may still be taken back.
//!
//! A wet thumb hits the wrong button. What is recorded is never altered, so a
//! mark from the page waits a few seconds here before it is passed on, and can
//! be withdrawn until then; it is passed on with its age. What waits is passed on at
//! once where its make is ended, or the daemon told to stop. Nothing of it has been
//! recorded before; if the daemon dies meanwhile, the page sees another `run` and says
//! that the mark was not taken.
//!
//! Deliberately absent: undoing what was recorded. That is a correction, with
//! author and reason, and belongs to the lot.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, mpsc, oneshot};
use tokio::time::Instant;

use super::seam::{Answer, Asked, Wish};
use crate::engine::event::{Mark, Name};

/// The longest a mark may wait, seconds.
pub const LONGEST_HOLD_S: f64 = 15.0;

/// A mark that waits.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// Its number, for withdrawing it.
    pub id: u64,
    /// What.
    pub mark: Mark,
    /// Seconds until it is passed on.
    pub left_s: f64,
    /// Seconds since it was pressed.
    pub ago_s: f64,
    /// Why it could not be passed on, where that was tried in vain.
    pub failed: Option<String>,
}

/// Counts one mark that is still to be passed on.
#[derive(Debug)]
struct InHand(Arc<AtomicU32>);

impl InHand {
    fn one_more(in_hand: &Arc<AtomicU32>) -> Self {
        in_hand.fetch_add(1, Ordering::SeqCst);
        Self(Arc::clone(in_hand))
    }
}

impl Drop for InHand {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

#[derive(Debug)]
struct Waiting {
    in_hand: Option<InHand>,
    mark: Mark,
    pressed: Instant,
    due: Instant,
    failed: Option<String>,
}

/// How long a mark that could not be passed on stays on the page.
const FAILED_SHOWS: Duration = Duration::from_secs(120);

/// All marks that wait.
#[derive(Debug)]
pub struct HeldMarks {
    desk: mpsc::Sender<Asked>,
    in_hand: Arc<AtomicU32>,
    waiting: Mutex<(u64, BTreeMap<u64, Waiting>)>,
    /// Rings when the list changes, so that pages hear of it.
    pub changed: Notify,
}

impl HeldMarks {
    /// None yet; they will be passed on to `desk`, and counted in `in_hand` until then.
    pub fn new(desk: mpsc::Sender<Asked>, in_hand: Arc<AtomicU32>) -> Self {
        Self { desk, in_hand, waiting: Mutex::new((1, BTreeMap::new())), changed: Notify::new() }
    }

    fn waiting(&self) -> MutexGuard<'_, (u64, BTreeMap<u64, Waiting>)> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What waits now, in the order it was pressed.
    pub fn list(&self) -> Vec<Held> {
        let now = Instant::now();
        self.waiting()
            .1
            .iter()
            .map(|(id, w)| Held {
                id: *id,
                mark: w.mark.clone(),
                left_s: w.due.saturating_duration_since(now).as_secs_f64(),
                ago_s: now.saturating_duration_since(w.pressed).as_secs_f64(),
                failed: w.failed.clone(),
            })
            .collect()
    }

    /// Holds a mark for `hold`, then passes it on. Answers its number.
    pub fn hold(self: &Arc<Self>, mark: Mark, hold: Duration) -> u64 {
        let pressed = Instant::now();
        let due = pressed + hold;
        let in_hand = Some(InHand::one_more(&self.in_hand));
        let id = {
            let mut waiting = self.waiting();
            let id = waiting.0;
            waiting.0 += 1;
            waiting.1.insert(id, Waiting { in_hand, mark, pressed, due, failed: None });
            id
        };
        self.changed.notify_one();
        let marks = Arc::clone(self);
        tokio::spawn(async move {
            tokio::time::sleep_until(due).await;
            marks.pass_on(id).await;
        });
        id
    }

    /// Passes on all that wait of one kettle, or of all, without waiting any longer: in the
    /// order they were pressed, and all at once. One after the other each would wait for a
    /// sync of its own, and there are seconds only.
    pub async fn pass_on_all(self: &Arc<Self>, kettle: Option<&Name>) {
        let waits = |w: &Waiting| w.failed.is_none() && kettle.is_none_or(|k| *k == w.mark.kettle);
        let ids: Vec<u64> = self.waiting().1.iter().filter(|(_, w)| waits(w)).map(|(id, _)| *id).collect();
        let passing = ids.into_iter().map(|id| {
            let marks = Arc::clone(self);
            // On its own: what has left the list goes on where who waits here gives up.
            tokio::spawn(async move { marks.pass_on(id).await })
        });
        for one in passing.collect::<Vec<_>>() {
            if let Err(error) = one.await {
                tracing::error!(%error, "a mark from the page was lost on its way");
            }
        }
    }

    async fn pass_on(self: &Arc<Self>, id: u64) {
        let Some(mut waiting) = self.waiting().1.remove(&id) else { return };
        // It counts as of when it was pressed, however long it could be taken back.
        let wish = Wish::Mark(waiting.mark.clone(), waiting.pressed.elapsed());
        if let Err(text) = ask(&self.desk, wish).await {
            tracing::error!(%text, "a mark from the page could not be taken in");
            waiting.failed = Some(text);
            waiting.in_hand = None;
            self.waiting().1.insert(id, waiting);
            let marks = Arc::clone(self);
            tokio::spawn(async move {
                tokio::time::sleep(FAILED_SHOWS).await;
                marks.withdraw(id);
            });
        }
        self.changed.notify_one();
    }

    /// Withdraws a mark that still waits; `false` where it does not.
    pub fn withdraw(&self, id: u64) -> bool {
        let gone = self.waiting().1.remove(&id).is_some();
        self.changed.notify_one();
        gone
    }
}

/// Asks the daemon and waits for its answer, two seconds at most.
///
/// # Errors
/// Why it was refused, in words for the person.
pub async fn ask(desk: &mpsc::Sender<Asked>, wish: Wish) -> Answer {
    let (answer, heard) = oneshot::channel();
    let sent = desk.send_timeout(Asked { wish, answer }, Duration::from_secs(1)).await;
    if sent.is_err() {
        return Err("the daemon does not take commands now; try again, and look at its log".into());
    }
    match tokio::time::timeout(Duration::from_secs(2), heard).await {
        Ok(Ok(answer)) => answer,
        _ => Err("the daemon did not answer; look whether it was taken before trying again".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::MarkKind;

    fn mark() -> Mark {
        Mark { kettle: Arc::from("k"), kind: MarkKind::Cut, by: None }
    }

    #[tokio::test(start_paused = true)]
    async fn a_mark_goes_on_after_its_hold_and_not_before() {
        let (desk, mut asked) = mpsc::channel(4);
        let marks = Arc::new(HeldMarks::new(desk, Arc::default()));
        marks.hold(mark(), Duration::from_secs(5));
        tokio::time::sleep(Duration::from_millis(4_900)).await;
        assert!(asked.try_recv().is_err());
        assert_eq!(marks.list().len(), 1);
        let got = asked.recv().await.unwrap();
        assert_eq!(got.wish, Wish::Mark(mark(), Duration::from_secs(5)), "with its age");
        assert!(marks.list().is_empty());
    }

    #[tokio::test(start_paused = true)]
    async fn a_withdrawn_mark_never_goes_on() {
        let (desk, mut asked) = mpsc::channel(4);
        let marks = Arc::new(HeldMarks::new(desk, Arc::default()));
        let id = marks.hold(mark(), Duration::from_secs(5));
        assert!(marks.withdraw(id));
        assert!(!marks.withdraw(id));
        tokio::time::sleep(Duration::from_secs(20)).await;
        assert!(asked.try_recv().is_err());
    }

    /// A mark pressed in the last seconds before a stop was lost, and one before its
    /// make's end came after it.
    #[tokio::test(start_paused = true)]
    async fn what_waits_is_passed_on_before_its_time_and_once() {
        let (desk, mut asked) = mpsc::channel(4);
        let marks = Arc::new(HeldMarks::new(desk, Arc::default()));
        let elsewhere = Mark { kettle: Arc::from("other"), ..mark() };
        marks.hold(mark(), Duration::from_secs(5));
        marks.hold(elsewhere.clone(), Duration::from_secs(5));
        tokio::time::sleep(Duration::from_secs(2)).await;
        let heard = async {
            let Asked { wish, answer } = asked.recv().await.unwrap();
            answer.send(Ok(())).unwrap();
            wish
        };
        let k = Name::from("k");
        let ((), wish) = tokio::join!(marks.pass_on_all(Some(&k)), heard);
        assert_eq!(wish, Wish::Mark(mark(), Duration::from_secs(2)), "with its age");
        assert_eq!(
            marks.list().into_iter().map(|h| h.mark).collect::<Vec<_>>(),
            std::slice::from_ref(&elsewhere)
        );
        let (passed_on, heard) = (marks.pass_on_all(None), asked.recv());
        let ((), other) =
            tokio::join!(passed_on, async { heard.await.map(|a| (a.wish, a.answer.send(Ok(())))) });
        assert_eq!(other.unwrap().0, Wish::Mark(elsewhere, Duration::from_secs(2)));
        tokio::time::sleep(Duration::from_secs(20)).await;
        assert!(asked.try_recv().is_err());
    }

    /// One after the other, each waiting for a sync of its own, three of five came too late
    /// at a stop.
    #[tokio::test(start_paused = true)]
    async fn all_that_wait_are_passed_on_at_once_and_share_a_sync() {
        let (desk, mut asked) = mpsc::channel(64);
        let marks = Arc::new(HeldMarks::new(desk, Arc::default()));
        let pressed: Vec<Mark> =
            (0..16).map(|n| Mark { by: Some(Name::from(format!("hand {n}").as_str())), ..mark() }).collect();
        for one in &pressed {
            marks.hold(one.clone(), Duration::from_secs(5));
        }
        let passed_on = marks.pass_on_all(None);
        // A disk that takes a second for whatever is there when it begins.
        let disk = async {
            let mut kept = Vec::new();
            while kept.len() < pressed.len() {
                kept.extend(asked.recv().await);
                tokio::time::sleep(Duration::from_secs(1)).await;
                kept.extend(std::iter::from_fn(|| asked.try_recv().ok()));
                for one in &mut kept {
                    let (answer, _) = oneshot::channel();
                    let _ = std::mem::replace(&mut one.answer, answer).send(Ok(()));
                }
            }
            kept
        };
        let began = Instant::now();
        let ((), kept) = tokio::join!(passed_on, disk);
        assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
        let came = kept.into_iter().map(|a| if let Wish::Mark(m, _) = a.wish { m } else { panic!() });
        assert_eq!(came.collect::<Vec<_>>(), pressed, "in the order they were pressed");
        assert!(marks.list().is_empty());
    }
}
