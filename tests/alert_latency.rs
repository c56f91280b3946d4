//! Promise: an alarm reaches every outlet within a second. Measured from the
//! moment at which the runner shows it (the step of the reading that caused it;
//! the journal's thread has no part in that) to its arrival at an HTTP server
//! and in a program of the house.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use curdtrace::config::dairy;
use curdtrace::daemon::alerts::{self, Board};
use curdtrace::daemon::outlet::{Commands, Feed, Snapshot};
use curdtrace::engine::alarm::{AlarmKind, AlarmState, Priority};
use curdtrace::engine::event::Name;
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::engine::view::{AlarmView, KettleView, View};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio::sync::{broadcast, mpsc, watch};
use tokio_util::sync::CancellationToken;

const ROUNDS: i64 = 40;

fn shown(round: i64, state: AlarmState) -> Arc<Snapshot> {
    let kettle = KettleView {
        kettle: Name::from("copper"),
        probe: Name::from("copper"),
        celsius: Some(40.1),
        age_s: Some(0.1),
        rate_celsius_per_min: Some(0.7),
        roughness_celsius: None,
        health: Health::Good,
        reason: String::new(),
        stage: Stage::Cooking,
        stage_began: None,
        stage_confidence: 0.9,
        stage_basis: Basis::Trace,
        plan: None,
        target_celsius: Some(41.0),
        planned_minutes: None,
        forecast: None,
        curd_check_at: None,
        alarms: vec![AlarmView {
            alarm: AlarmKind::HeatOff,
            state,
            priority: Priority::High,
            sounds: true,
            since: Some(round),
            text: String::new(),
        }],
        stages: Vec::new(),
    };
    Arc::new(Snapshot { view: View { kettles: vec![kettle] }, ..Snapshot::default() })
}

fn printed(what: &str, mut took: Vec<Duration>) {
    took.sort();
    let at = |p: usize| took[(took.len() - 1) * p / 100];
    println!(
        "alarm to {what}: {} calls, median {:.1?}, p90 {:.1?}, p99 {:.1?}, worst {:.1?}",
        took.len(),
        at(50),
        at(90),
        at(99),
        at(100)
    );
    assert!(at(100) < Duration::from_secs(1), "{what}: {:?}", at(100));
}

#[tokio::test(flavor = "current_thread")]
async fn an_alarm_is_at_every_outlet_within_a_second() {
    let folder = tempfile::tempdir().unwrap();
    let heard = folder.path().join("heard");
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let text = format!(
        "[[outlet]]\nname = \"house\"\nurl = \"http://{}/say\"\nrepeat-s = 0\n\
         [[outlet]]\nname = \"horn\"\ncommand = [\"/bin/sh\", \"-c\", \"printf x >> {}\"]\nrepeat-s = 0\n",
        listener.local_addr().unwrap(),
        heard.display()
    );
    let config = dairy::parse(&text, "c.toml", Path::new(".")).unwrap();
    let (show, snapshot) = watch::channel(shown(-1, AlarmState::Acknowledged));
    let (_taken, taken) = watch::channel(0);
    let (inputs, _inputs) = mpsc::channel(4);
    let (news, _) = broadcast::channel(16);
    let feed = Feed { news, snapshot, taken, commands: Commands::into(inputs) };
    let stop = CancellationToken::new();
    let board = Arc::new(Board::default());
    for outlet in alerts::configured(&config, &board) {
        tokio::spawn(outlet.run(feed.clone(), stop.clone()));
    }
    let (arrived, mut arrivals) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        while let Ok((mut s, _)) = listener.accept().await {
            let mut buf = [0; 2048];
            let n = s.read(&mut buf).await.unwrap();
            assert!(String::from_utf8_lossy(&buf[..n]).contains("heat-off"));
            arrived.send(Instant::now()).unwrap();
            let _ = s.write_all(b"HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n").await;
        }
    });
    let (mut http, mut program) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let began = Instant::now();
        show.send_replace(shown(round, AlarmState::Unacknowledged));
        http.push(arrivals.recv().await.unwrap() - began);
        while std::fs::metadata(&heard).map_or(0, |m| m.len()) <= round as u64 {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        program.push(began.elapsed());
        show.send_replace(shown(round, AlarmState::Acknowledged));
        tokio::time::sleep(Duration::from_millis(60)).await;
    }
    printed("HTTP", http);
    printed("a program", program);
    assert!(arrivals.try_recv().is_err(), "taken in one place is silent in all");
    assert!(board.states().iter().all(|s| s.well), "{:?}", board.states());
    stop.cancel();
}
