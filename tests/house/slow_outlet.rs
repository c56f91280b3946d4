//! An outlet that hangs holds up nothing: not the engine, not the record, not
//! the other outlets; and the end comes in time all the same.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use support::house;
use support::pty;

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use curdtrace::daemon::Setup;
use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::outlet::{Feed, Outlet, Running};
use house::{House, config, wait_for};
use pty::Pty;
use tokio_util::sync::CancellationToken;

/// Subscribes and never takes anything, nor listens to being stopped.
struct Hung;

impl Outlet for Hung {
    fn name(&self) -> String {
        "hung".into()
    }
    fn run(self: Box<Self>, feed: Feed, _: CancellationToken) -> Running {
        let news = feed.news.subscribe();
        Box::pin(async move {
            std::future::pending::<()>().await;
            drop(news);
            Ok(())
        })
    }
}

/// Counts the news it gets.
struct Counting(Arc<AtomicUsize>);

impl Outlet for Counting {
    fn name(&self) -> String {
        "counting".into()
    }
    fn run(self: Box<Self>, feed: Feed, stop: CancellationToken) -> Running {
        let mut news = feed.news.subscribe();
        Box::pin(async move {
            loop {
                tokio::select! {
                    () = stop.cancelled() => return Ok(()),
                    one = news.recv() => if one.is_ok() { self.0.fetch_add(1, Ordering::SeqCst); }
                }
            }
        })
    }
}

/// Round trips from frame to acknowledgement, the slowest but one in a hundred.
fn latency(hung: usize) -> (Duration, usize) {
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-readings = 1\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        folder.path().join("box").display()
    );
    let mut pty = Pty::plug(&folder.path().join("box"));
    let mut setup = Setup::of(config(folder.path(), &text), Clock::real());
    let counted = Arc::new(AtomicUsize::new(0));
    setup.outlets.push(Box::new(Counting(counted.clone())));
    for _ in 0..hung {
        setup.outlets.push(Box::new(Hung));
    }
    let house = House::with(setup);
    assert!(wait_for(Duration::from_secs(5), || house.is_up("box")));
    let mut trips = Vec::new();
    for n in 0..100 {
        let began = Instant::now();
        // Every other one is a fault: news for the outlets.
        if n % 2 == 0 {
            pty.send_reading(n, "milk", 31.0, 0);
        } else {
            pty.send_fault(n, "milk");
        }
        assert!(pty.hear_until(Duration::from_secs(5), |p| p.acked.last() == Some(&n)));
        trips.push(began.elapsed());
    }
    let began = Instant::now();
    house.close().unwrap();
    assert!(began.elapsed() < Duration::from_secs(2), "hung outlets hold up the end: {:?}", began.elapsed());
    trips.sort();
    (trips[trips.len() * 99 / 100], counted.load(Ordering::SeqCst))
}

#[test]
fn fifty_hung_outlets_hold_up_nothing() {
    let (alone, heard_alone) = latency(0);
    let (beside, heard_beside) = latency(50);
    println!("frame to acknowledgement, 99 of 100: {alone:?} alone, {beside:?} beside fifty hung outlets");
    assert!(heard_alone > 0, "there was news");
    assert!(heard_beside > 0, "the outlet that listens hears on");
    // A wide margin: the machine that tests may be busy with other things.
    assert!(beside < alone * 3 + Duration::from_millis(100), "{alone:?} {beside:?}");
}
