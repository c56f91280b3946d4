//! What waits for the disk, beside the page's one thread, and only so much of it at once.
//!
//! A thread that waits for a disk that hangs cannot be called back, whoever asked; and who
//! may read may ask as often as he likes. So there are so many *seats*, held until the
//! work itself is over. Who finds none within some seconds is told to come again.
//!
//! Term: a lot is *drawn* where its trace is taken from the journal, or from its folder, as
//! a whole. That takes tens to hundreds of megabytes, so it has one seat of its own.

use std::time::Duration;

use tokio::sync::Semaphore;

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

/// Runs what draws a lot.
pub(super) async fn drawn<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    seated(&DRAWING, work).await
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
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    /// Fifty readers of one open lot took more memory than the unit may have.
    #[tokio::test]
    async fn never_more_at_once_than_there_are_seats_and_the_others_are_told_when() {
        static SEATS: Semaphore = Semaphore::const_new(2);
        static AT_IT: AtomicUsize = AtomicUsize::new(0);
        static MOST: AtomicUsize = AtomicUsize::new(0);
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
        // Whoever asked and went away leaves the work behind, and its seat with it.
        let (release, held) = std::sync::mpsc::channel::<()>();
        for held in [Some(held), None] {
            let hang = move || {
                held.map(|h| h.recv());
                std::thread::sleep(Duration::from_millis(if AT_IT.load(Ordering::SeqCst) == 0 {
                    4_500
                } else {
                    0
                }));
                Ok(())
            };
            let gone = tokio::time::timeout(Duration::from_millis(50), seated(&SEATS, hang)).await;
            assert!(gone.is_err());
        }
        let refused = draw().await.unwrap_err();
        assert_eq!((refused.status, refused.retry_after_s), (StatusCode::SERVICE_UNAVAILABLE, Some(AGAIN_S)));
        drop(release);
    }
}
