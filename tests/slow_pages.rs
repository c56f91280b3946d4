//! Promise 15: fifty stalled live pages change nothing for the others: the
//! daemon's snapshot goes out as promptly as before, laggards are cut, and
//! memory stays small.

#![allow(clippy::unwrap_used, dead_code, clippy::print_stdout)] // a test may end here, and prints its figures

#[path = "support/page_room.rs"]
mod page_room;

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use page_room::{PageRoom, snapshot};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

async fn listener(page: &PageRoom) -> TcpStream {
    let mut stream = TcpStream::connect(page.at).await.unwrap();
    stream.write_all(b"GET /api/v1/live HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n").await.unwrap();
    stream
}

/// Resident memory of this process, MiB.
fn resident_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

/// Alarm changes shown one after the other; how long each took to reach a page
/// that reads, sorted.
async fn latencies(page: &PageRoom, rounds: usize) -> Vec<Duration> {
    let mut stream = listener(page).await;
    let mut seen = Vec::new();
    let mut took = Vec::new();
    for n in 0..rounds {
        let mark = format!("round-{n}-");
        let mut s = snapshot();
        // Another alarm state each time, as a call or its taking is.
        s.view.kettles[0].alarms.truncate(n % 2);
        s.view.kettles[0].reason.clone_from(&mark);
        let began = Instant::now();
        page.show.send_replace(Arc::new(s));
        let mut buf = [0; 16 * 1024];
        while !String::from_utf8_lossy(&seen).contains(&mark) {
            let n = stream.read(&mut buf).await.unwrap();
            seen.extend_from_slice(&buf[..n]);
        }
        took.push(began.elapsed());
        seen.clear();
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    took.sort();
    took
}

#[tokio::test]
async fn fifty_stalled_pages_are_cut_and_cost_the_others_nothing() {
    let page = PageRoom::open(|_| {}).await;
    let alone = latencies(&page, 60).await;
    let mut stalled = Vec::new();
    for _ in 0..50 {
        stalled.push(listener(&page).await);
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert!(page.room.hub.count() >= 50, "{} listen", page.room.hub.count());
    let among = latencies(&page, 60).await;
    let p99 = |v: &[Duration]| v[v.len() * 99 / 100];
    println!(
        "alarm to page: alone median {:?} p99 {:?}; among 50 stalled median {:?} p99 {:?}",
        alone[30],
        p99(&alone),
        among[30],
        p99(&among)
    );
    // A share of a busy machine is not the page's to promise; a second is.
    assert!(p99(&among) < Duration::from_secs(1), "{:?}", p99(&among));

    // Ten minutes' worth of messages at once: more than any buffer between takes.
    let big = "x".repeat(64 * 1024);
    for n in 0..200 {
        let mut s = snapshot();
        s.view.kettles[0].reason = format!("{n} {big}");
        page.show.send_replace(Arc::new(s));
        page.room.hub.publish(&curdtrace::web::live::message(&page.room));
        tokio::task::yield_now().await;
    }
    let cut = page.room.hub.laggards.load(Ordering::Relaxed);
    println!("{cut} laggards cut; resident {:.0} MiB", resident_mib());
    assert!(cut >= 50, "{cut} cut");
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert!(page.room.doors.open() <= 2, "{} connections stay", page.room.doors.open());
    assert!(resident_mib() < 64.0, "{} MiB", resident_mib());
    let (status, _) = page.ask("GET", "/health", "", "").await;
    assert_eq!(status, 200);
}
