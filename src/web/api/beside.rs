//! What waits for the disk, beside the page's one thread, and only so much of it at once.
//!
//! A thread that waits for a disk that hangs cannot be called back, whoever asked; and who
//! may read may ask as often as he likes. So there are so many *seats*, held until the
//! work itself is over. Who finds none within some seconds is told to come again.
//!
//! Term: a lot is *drawn* where its trace is taken from the journal, or from its folder, as
//! a whole. That takes tens to hundreds of megabytes, so it has one seat of its own. Who
//! waited for it takes what another had drawn meanwhile, where that was begun after he
//! came: nobody is given what is older than his question.

use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::body::Bytes;
use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::{Problem, StatusCode};

/// One machine has one disk, however many pages are served from it.
static DISK: Semaphore = Semaphore::const_new(16);
static DRAWING: Semaphore = Semaphore::const_new(1);

/// So long a seat is waited for: less than an answer may take.
const PATIENCE: Duration = Duration::from_secs(3);
/// When to ask again, seconds.
const AGAIN_S: u64 = 5;

/// Runs what waits for the disk.
pub(super) async fn on_disk<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    seated(&DISK, work).await
}

/// What was drawn last.
struct Drawn {
    of: String,
    began: Instant,
    bytes: Bytes,
}

fn last() -> MutexGuard<'static, Option<Drawn>> {
    static LAST: Mutex<Option<Drawn>> = Mutex::new(None);
    LAST.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Runs what draws a lot; `of` says which, of which folder, and what of it.
pub(super) async fn drawn(
    of: String,
    draw: impl FnOnce() -> Result<Vec<u8>, Problem> + Send + 'static,
) -> Result<Bytes, Problem> {
    let came = Instant::now();
    seated(&DRAWING, move || {
        if let Some(drawn) = last().as_ref().filter(|d| d.of == of && d.began >= came) {
            return Ok(drawn.bytes.clone());
        }
        let began = Instant::now();
        let bytes = Bytes::from(draw()?);
        *last() = Some(Drawn { of, began, bytes: bytes.clone() });
        Ok(bytes)
    })
    .await
}

async fn seated<T: Send + 'static>(
    seats: &'static Semaphore,
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    let Ok(Ok(seat)) = tokio::time::timeout(PATIENCE, seats.acquire()).await else {
        return Err(Problem::busy("the daemon's machine is busy with others' requests", AGAIN_S));
    };
    let done = tokio::task::spawn_blocking(move || {
        // Who asked may have gone away long since: the seat goes with the work.
        let _seat = seat;
        work()
    });
    done.await
        .map_err(|e| Problem::new(StatusCode::INTERNAL_SERVER_ERROR, format!("it could not be read: {e}")))?
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

    use super::*;

    /// Fifty readers of one open lot took more memory than the unit may have.
    #[tokio::test]
    async fn never_more_at_once_than_there_are_seats_and_the_others_are_told_when() {
        static SEATS: Semaphore = Semaphore::const_new(2);
        static AT_IT: AtomicUsize = AtomicUsize::new(0);
        static MOST: AtomicUsize = AtomicUsize::new(0);
        static RELEASED: AtomicBool = AtomicBool::new(false);
        let draw = || {
            seated(&SEATS, || {
                let now = AT_IT.fetch_add(1, Ordering::SeqCst) + 1;
                MOST.fetch_max(now, Ordering::SeqCst);
                std::thread::sleep(Duration::from_millis(20));
                AT_IT.fetch_sub(1, Ordering::SeqCst);
                Ok(())
            })
        };
        let all: Vec<_> = (0..20).map(|_| tokio::spawn(draw())).collect();
        for one in all {
            assert_eq!(one.await.unwrap(), Ok(()));
        }
        assert_eq!(MOST.load(Ordering::SeqCst), 2);
        // Who asked and went away leaves the work behind, and its seat with it.
        for _ in 0..2 {
            let hang = || {
                while !RELEASED.load(Ordering::SeqCst) {
                    std::thread::sleep(Duration::from_millis(5));
                }
                Ok(())
            };
            let gone = tokio::time::timeout(Duration::from_millis(50), seated(&SEATS, hang)).await;
            assert!(gone.is_err());
        }
        let refused = draw().await.unwrap_err();
        RELEASED.store(true, Ordering::SeqCst);
        assert_eq!((refused.status, refused.retry_after_s), (StatusCode::SERVICE_UNAVAILABLE, Some(AGAIN_S)));
        assert_eq!(draw().await, Ok(()));
    }

    #[tokio::test]
    async fn who_waited_takes_what_was_begun_after_he_came_and_nothing_older() {
        static TIMES: AtomicUsize = AtomicUsize::new(0);
        let draw = |of: &str| {
            drawn(of.to_owned(), || {
                std::thread::sleep(Duration::from_millis(50));
                Ok(vec![TIMES.fetch_add(1, Ordering::SeqCst) as u8])
            })
        };
        let all: Vec<_> = (0..30).map(|_| tokio::spawn(draw("a lot of this test"))).collect();
        for one in all {
            assert!(one.await.unwrap().is_ok());
        }
        let times = TIMES.load(Ordering::SeqCst);
        assert!(times <= 2, "drawn {times} times");
        assert_eq!(draw("a lot of this test").await, Ok(Bytes::from(vec![times as u8])), "anew");
        assert_eq!(draw("another of this test").await, Ok(Bytes::from(vec![times as u8 + 1])));
    }
}
