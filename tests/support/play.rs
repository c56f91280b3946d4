//! A simulated make played to a running daemon, its clock moved by hand, so
//! that a morning passes in seconds.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use std::path::Path;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::outlet::CommandError;
use curdtrace::engine::event::Reading;
use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Inbox, Request};
use curdtrace::rehearse::make::Spoken;

use super::house::{House, wait_for};

/// Moves the clock along the lines and hands each reading to `say`, waiting
/// until the daemon has taken it in.
pub fn play(lines: &[(i64, Spoken)], house: &House, clock: &Clock, say: impl FnMut(u32, &Reading)) {
    play_held(lines, Duration::ZERO, house, clock, say);
}

/// As [`play`], with marks that come so long after they were pressed.
pub fn play_held(
    lines: &[(i64, Spoken)],
    held: Duration,
    house: &House,
    clock: &Clock,
    mut say: impl FnMut(u32, &Reading),
) {
    let held_ns = i64::try_from(held.as_nanos()).unwrap();
    let came =
        |(at, spoken): &(i64, Spoken)| at + if matches!(spoken, Spoken::Mark(_)) { held_ns } else { 0 };
    let mut lines: Vec<_> = lines.iter().map(|l| (came(l), &l.1)).collect();
    lines.sort_by_key(|l| l.0);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let mut now_ns = clock.now().wall_ns;
    let before = house.taken();
    let mut said = 0;
    for (wall_ns, spoken) in lines {
        clock.advance(Duration::from_nanos(u64::try_from(wall_ns - now_ns).unwrap()));
        now_ns = wall_ns;
        match spoken {
            Spoken::Reading(r) => {
                say(said, r);
                said += 1;
                let wanted = before + u64::from(said);
                let taken = runtime.block_on(async {
                    let mut taken = house.feed.taken.clone();
                    tokio::time::timeout(Duration::from_secs(10), taken.wait_for(|n| *n >= wanted))
                        .await
                        .is_ok()
                });
                assert!(taken, "reading {said} did not arrive");
            }
            Spoken::Mark(m) => {
                // Its sync waits for the clock that we move ourselves.
                let sent = runtime.block_on(async {
                    let mark = house.feed.commands.mark_ago(m.clone(), held);
                    tokio::time::timeout(Duration::from_millis(50), mark).await
                });
                assert!(!matches!(sent, Ok(Err(CommandError::Stopping))));
            }
        }
    }
}

/// Closes a lot as `lot close` does: through the inbox, with the clock going on until the
/// daemon has answered.
pub fn close_lot(data: &Path, lot: &str, clock: &Clock) {
    let inbox = Inbox::of(&Disk, data).unwrap();
    let ask = Ask::Close { lot: lot.into() };
    let request = Request { at: At(clock.now().wall_ns), by: Some("ada".into()), ask };
    let name = inbox.ask(&request, 7).unwrap();
    let mut answer = None;
    let answered = wait_for(Duration::from_secs(20), || {
        clock.advance(Duration::from_millis(50));
        std::thread::sleep(Duration::from_millis(20));
        answer = inbox.take_answer(&name).unwrap();
        answer.is_some()
    });
    assert!(answered && answer.as_ref().is_some_and(|a| a.code == 0), "{answer:?}");
}

/// Waits for a future of the daemon's.
pub fn wait<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}
