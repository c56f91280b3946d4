//! A make through a running daemon gives the same stages and alarms as the
//! replay filter gives for the same readings: through a serial port in the
//! box's frames, and through a real broker.
//!
//! The makes are drawn by the crate's own simulator; the daemon's clock is
//! moved by hand to each reading's time, so that a morning passes in seconds.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use support::broker;
use support::house;
use support::play;
use support::pty;

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use broker::{Broker, Hand};
use curdtrace::config::plan;
use curdtrace::daemon::clock::Clock;
use curdtrace::journal::record::timestamp_ns;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{Make, Marks, Spoken, make};
use curdtrace::rehearse::scene::Options;
use house::{House, config, journal, wait_for};
use play::{close_lot, play, play_held};
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);
const KETTLE: &str = "kettle";

/// What the filter says of `input`, one JSON event a line, stages and alarms
/// only.
fn replayed(folder: &Path, input: &str, plan: Option<&str>) -> Vec<String> {
    std::fs::write(folder.join("input.lp"), input).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_curdtrace"));
    command.arg("replay").current_dir(folder);
    if let Some(plan) = plan {
        std::fs::write(folder.join("p.toml"), plan).unwrap();
        command.args(["--plan", "p.toml"]);
    }
    let out = command.arg("input.lp").output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap().lines().filter(|l| stage_or_alarm(l)).map(String::from).collect()
}

fn stage_or_alarm(json: &str) -> bool {
    json.starts_with("{\"kind\":\"stage\"") || json.starts_with("{\"kind\":\"alarm\"")
}

/// The events that the daemon said, out of its journal.
fn said(lines: &[String]) -> Vec<String> {
    lines
        .iter()
        .filter(|l| l.contains(",what=said-stage ") || l.contains(",what=said-alarm "))
        .map(|l| {
            let text = l.split(" json=\"").nth(1).unwrap().rsplit_once('"').unwrap().0;
            text.replace("\\\"", "\"").replace("\\\\", "\\")
        })
        .collect()
}

/// The daemon's stages and alarms are the filter's, on the journal as it is
/// and on its readings and marks alone under the same plan.
fn compare(folder: &Path, make: &Make) {
    let lines = journal(&folder.join("data"));
    let daemon = said(&lines);
    let whole = replayed(folder, &(lines.join("\n") + "\n"), None);
    let told: Vec<&String> = lines.iter().filter(|l| !l.starts_with("event,")).collect();
    let plain = told.iter().fold(String::new(), |all, l| all + l + "\n");
    let alone = replayed(folder, &plain, Some(&plan::write(&make.plan)));
    // At its input's end the filter closes what is open; the daemon goes on.
    for (name, filter) in [("the journal", &whole), ("its readings alone", &alone)] {
        let same = daemon.iter().zip(filter).take_while(|(a, b)| a == b).count();
        assert!(
            same == daemon.len() && filter.len() <= daemon.len() + 3,
            "{name}: {same} of {} (filter {}) agree, then\n  daemon {:?}\n  filter {:?}",
            daemon.len(),
            filter.len(),
            daemon.get(same),
            filter.get(same)
        );
    }
    let stages = daemon.iter().filter(|l| l.starts_with("{\"kind\":\"stage\"")).count();
    println!("{} readings and marks, {} events, {stages} of stages", told.len(), daemon.len());
    for stage in ["warming", "setting", "cutting", "cooking"] {
        let named = format!("\"stage\":\"{stage}\"");
        assert!(daemon.iter().any(|l| l.contains(&named)), "no {stage} was found");
    }
    assert!(daemon.iter().any(|l| l.contains("\"alarm\":\"heat-off\"")), "nobody was called");
}

/// A house that hears a box at a port, by the make's plan, at its beginning.
fn through_a_port(folder: &Path, make: &Make) -> (Pty, Clock, House) {
    std::fs::write(folder.join("plan.toml"), plan::write(&make.plan)).unwrap();
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[kettle]]\nname = \"{KETTLE}\"\nplan = \"plan.toml\"\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nstall-s = 3600\n",
        folder.join("box").display()
    );
    let mut pty = Pty::plug(&folder.join("box"));
    let clock = Clock::by_hand(make.start_ns);
    let house = House::open(config(folder, &text), clock.clone());
    pty.opened();
    (pty, clock, house)
}

/// A mark from the page comes some seconds after it was pressed, and counts from then.
#[test]
fn marks_that_waited_on_the_page_are_the_same_as_on_replay() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(3, Family::SemiCooked, &Options::default(), Marks::All);
    let (mut pty, clock, house) = through_a_port(folder.path(), &make);
    play_held(&make.lines, Duration::from_secs(6), &house, &clock, |seq, r| {
        match r.celsius {
            Some(celsius) => pty.send_reading(seq, KETTLE, celsius, 0),
            None => pty.send_fault(seq, KETTLE),
        }
        pty.hear();
    });
    clock.advance(Duration::from_secs(2));
    house.close().unwrap();
    let pressed = make.lines.iter().filter(|l| matches!(l.1, Spoken::Mark(_))).map(|l| l.0);
    let lines = journal(&folder.path().join("data"));
    let kept = lines.iter().filter(|l| l.starts_with("mark,")).filter_map(|l| timestamp_ns(l));
    assert!(kept.eq(pressed), "marks are of other moments than they were pressed at");
    compare(folder.path(), &make);
}

#[test]
fn a_make_through_the_serial_port_is_the_same_as_on_replay() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(11, Family::SemiCooked, &Options::default(), Marks::Rennet);
    let (mut pty, clock, house) = through_a_port(folder.path(), &make);
    let mut sent = 0;
    play(&make.lines, &house, &clock, |seq, r| {
        match r.celsius {
            Some(celsius) => pty.send_reading(seq, KETTLE, celsius, 0),
            None => pty.send_fault(seq, KETTLE),
        }
        sent += 1;
        pty.hear();
    });
    clock.advance(Duration::from_secs(2));
    assert!(pty.hear_until(SOON, |p| p.acked.len() == sent), "{} of {sent} acknowledged", pty.acked.len());
    // The make had its lot by itself; a person closes it.
    let lot = house.shown().open_lots.get(KETTLE).cloned();
    let lot = lot.unwrap_or_else(|| panic!("no lot was opened when milk was found"));
    close_lot(&folder.path().join("data"), &lot, &clock);
    assert!(wait_for(SOON, || house.shown().open_lots.is_empty()), "{:?}", house.shown().open_lots);
    house.close().unwrap();
    let sums = Command::new("sha256sum")
        .args(["--check", "--quiet", "SHA256SUMS"])
        .current_dir(folder.path().join("data/lots").join(&lot))
        .output()
        .unwrap();
    assert!(sums.status.success(), "{sums:?}");
    compare(folder.path(), &make);
}

#[test]
fn a_make_through_a_broker_is_the_same_as_on_replay() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(5, Family::HardCooked, &Options::default(), Marks::Rennet);
    std::fs::write(folder.path().join("plan.toml"), plan::write(&make.plan)).unwrap();
    let broker = Broker::start(folder.path(), None);
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[kettle]]\nname = \"{KETTLE}\"\nplan = \"plan.toml\"\n\
         [[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {}\n\
         [[mqtt.subscribe]]\ntopic = \"dairy/{{probe}}/temperature\"\npayload = \"number\"\n",
        broker.port
    );
    let clock = Clock::by_hand(make.start_ns - 60_000_000_000);
    let house = House::open(config(folder.path(), &text), clock.clone());
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    // Published until one arrives: the subscription is there then.
    assert!(wait_for(SOON, || house.counted("broker", "refused") > 0 || {
        hand.publish("dairy/kettle/temperature", "no number");
        std::thread::sleep(Duration::from_millis(20));
        clock.advance(Duration::from_secs(1));
        house.counted("broker", "refused") > 0
    }));
    play(&make.lines, &house, &clock, |_, r| {
        let payload = r.celsius.map_or("nan".to_string(), |c| c.to_string());
        hand.publish("dairy/kettle/temperature", &payload);
    });
    clock.advance(Duration::from_secs(2));
    house.close().unwrap();
    compare(folder.path(), &make);
}
