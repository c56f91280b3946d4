//! Promise: a person's mark in a source's stream of line protocol is recorded and acted
//! on as one at the page is; what a source sends that cannot be read is refused aloud.

#![allow(clippy::unwrap_used)] // a test may end here

use support::{broker, house, pty};

use std::path::Path;
use std::time::Duration;

use broker::{Broker, Hand};
use curdtrace::daemon::clock::Clock;
use curdtrace::engine::stage::Stage;
use house::{House, Process, config, journal, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);
const MINUTE_NS: i64 = 60_000_000_000;

fn text(source: &str) -> String {
    format!("[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.05\n{source}")
}

fn serial(folder: &Path, format: &str) -> String {
    let port = folder.join("line").display().to_string();
    text(&format!("[[serial]]\nname = \"line\"\nport = \"{port}\"\n{format}\n"))
}

fn mqtt(port: u16, more: &str) -> String {
    text(&format!(
        "[[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {port}\nkeep-alive-s = 5\n{more}"
    ))
}

fn marks(data: &Path) -> Vec<String> {
    journal(data).into_iter().filter(|l| l.starts_with("mark")).collect()
}

fn is_stage(house: &House, stage: Stage) -> bool {
    house.shown().view.kettles.iter().any(|k| &*k.kettle == "big" && k.stage == stage)
}

#[test]
fn a_mark_on_a_serial_line_is_recorded_and_acted_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut line = Pty::plug(&folder.path().join("line"));
    let port = serial(folder.path(), "format = \"line-protocol\"\nown-time = true");
    let house = House::open(config(folder.path(), &port), Clock::real());
    assert!(wait_for(SOON, || house.is_up("line")));
    line.send(b"\ntemperature,probe=milk,kettle=big celsius=34.5\n");
    assert!(wait_for(SOON, || house.taken() == 1));
    line.send(b"mark,kettle=big name=\"cut\",by=\"ada\"\n");
    assert!(wait_for(SOON, || is_stage(&house, Stage::Cutting)));
    // Marked ten minutes ago by a device that was away: of then, and no lift of now.
    let then = Clock::real().now().wall_ns - 10 * MINUTE_NS;
    line.send(format!("mark,kettle=big name=\"lift\" {then}\n").as_bytes());
    line.send(b"mark,kettle=big name=\"note\",text=\"skimmed\"\n");
    assert!(wait_for(SOON, || house.shown().marks.len() == 3), "{:?}", house.shown().marks);
    assert!(is_stage(&house, Stage::Cutting));
    house.close().unwrap();
    let marks = marks(&folder.path().join("data"));
    assert_eq!(marks.len(), 3, "{marks:#?}");
    assert!(marks[0].starts_with("mark,kettle=big name=\"cut\",by=\"ada\" "), "{marks:#?}");
    let own: i64 = marks[1].rsplit(' ').next().unwrap().parse().unwrap();
    assert!((own - then).abs() < 1_000_000 && marks[1].contains("name=\"lift\",by=\"line\""), "{marks:#?}");
}

#[test]
fn a_mark_from_a_broker_is_recorded_once_and_names_no_kettle_too_many() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let source = "[[mqtt.subscribe]]\ntopic = \"lines\"\npayload = \"line-protocol\"\n[limits]\nprobes = 1\n";
    let house = House::open(config(folder.path(), &mqtt(broker.port, source)), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    hand.publish(
        "lines",
        "temperature,probe=milk,kettle=big celsius=34.5\nmark,kettle=big name=\"cut\",by=\"ada\"\n\
         mark,kettle=wild name=\"cut\"\nmark,kettle=a/b name=\"cut\"",
    );
    assert!(wait_for(SOON, || is_stage(&house, Stage::Cutting)));
    assert!(wait_for(SOON, || house.counted("broker", "refused") == 1), "a name that is none");
    house.close().unwrap();
    let marks = marks(&folder.path().join("data"));
    assert!(marks.len() == 1 && marks[0].contains("by=\"ada\""), "{marks:#?}");
}

/// What a daemon says to its end, once it has heard all that was sent.
fn said(folder: &Path, readings: usize, send: impl FnOnce()) -> String {
    let data = folder.join("data");
    let process = Process::run(folder);
    let lines = |what: &str| {
        let there = data.join("journal").is_dir();
        if there { journal(&data).iter().filter(|l| l.contains(what)).count() } else { 0 }
    };
    assert!(wait_for(SOON, || lines("up=true") == 1));
    std::thread::sleep(Duration::from_millis(200));
    send();
    assert!(wait_for(SOON, || lines("temperature,") == readings));
    process.terminate().1
}

/// A gateway that wrote a comma was never heard, and nobody told.
#[test]
fn a_message_that_cannot_be_read_is_told_once_a_topic() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let source = "[[mqtt.subscribe]]\ntopic = \"n/{probe}\"\npayload = \"number\"\n\
                  [[mqtt.subscribe]]\ntopic = \"json\"\npayload = \"json\"\nvalue-at = \"/v\"\nprobe-at = \"/id\"\n";
    std::fs::write(folder.path().join("c.toml"), mqtt(broker.port, source)).unwrap();
    let long = format!("34,5 {}", "x".repeat(500));
    let told = said(folder.path(), 1, || {
        for _ in 0..3 {
            hand.publish("n/vat", &long);
            hand.publish("n/tank", "warm\u{7}");
        }
        hand.publish("json", "{\"v\":34.5}");
        hand.publish("n/whey", "81.5");
    });
    let about = |what: &str| told.lines().filter(|l| l.contains(what)).collect::<Vec<_>>();
    for (topic, shows) in
        [("of n/vat", "34,5 xxx"), ("of n/tank", "warm\\x07"), ("of json", "probe = \"NAME\"")]
    {
        let lines = about(topic);
        assert!(lines.len() == 1 && lines[0].contains(shows) && lines[0].len() < 400, "{topic}: {told}");
    }
    assert!(about("of n/vat")[0].contains("write it as 34.5"), "{told}");
    assert!(about("of n/whey").is_empty(), "{told}");
}

/// Of two kinds of lines on one port the one that cannot be read was only counted.
#[test]
fn a_line_that_cannot_be_read_among_readings_is_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut line = Pty::plug(&folder.path().join("line"));
    let port = serial(folder.path(), "format = \"number\"\nprobe = \"milk\"");
    std::fs::write(folder.path().join("c.toml"), port).unwrap();
    let told = said(folder.path(), 4, || {
        line.send(b"\n34.5\nT: 34,5 grad\n34.5\nT: 34,6 grad\n34.5\n\xff\xfe\n34.5\n");
    });
    let lines: Vec<_> = told.lines().filter(|l| l.contains("refused")).collect();
    assert!(lines.len() == 1 && lines[0].contains("\"T: 34,5 grad\""), "{told}");
    assert!(lines[0].contains("write it as 34.5"), "{told}");
}
