//! Promise: a whole make without hardware, from the probe's frames to a sealed
//! lot, by one command.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may end loudly")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// Faster than anybody would watch; the day is the same at any speed.
const SPEED: &str = "3000";

fn rehearse(data: &Path, seed: &str) -> PathBuf {
    let out = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["rehearse", "--once", "--speed", SPEED, "--seed", seed, "--data"])
        .arg(data)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "seed {seed}: {:?}\n{said}", out.status);
    let printed = String::from_utf8(out.stdout).unwrap();
    let folder = PathBuf::from(printed.lines().last().expect("a folder on the last line"));
    assert!(folder.is_dir(), "seed {seed}: {printed}\n{said}");
    folder
}

fn read(folder: &Path, name: &str) -> String {
    std::fs::read_to_string(folder.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

#[test]
fn one_command_rehearses_a_make_to_its_sealed_lot() {
    let data = tempfile::tempdir().unwrap();
    let folder = rehearse(data.path(), "1");

    let sums = Command::new("sha256sum").args(["-c", "SHA256SUMS"]).current_dir(&folder).output().unwrap();
    assert!(sums.status.success(), "{}", String::from_utf8_lossy(&sums.stdout));

    let trace = read(&folder, "trace.lp");
    let readings = influxdb_line_protocol::parse_lines(&trace)
        .map(|line| line.expect("line protocol"))
        .filter(|line| line.series.measurement == "temperature")
        .count();
    // Two hours or more, a reading every two seconds at least.
    assert!(readings > 3000, "{readings} readings");

    let lot: toml::Table = read(&folder, "lot.toml").parse().unwrap();
    let text = lot.to_string();
    for stage in ["warming", "setting", "cutting", "cooking", "stirring", "settling", "drawing"] {
        assert!(text.contains(&format!("\"{stage}\"")), "{stage} is not in lot.toml:\n{text}");
    }

    let events = read(&folder, "events.jsonl");
    for alarm in ["heat-off", "at-target"] {
        let raised = events.lines().any(|line| {
            let event: serde_json::Value = serde_json::from_str(line).expect("a JSON line");
            event["kind"] == "alarm" && event["alarm"] == alarm
        });
        assert!(raised, "{alarm} is not in events.jsonl");
    }
}

#[test]
fn an_alarm_in_the_rehearsal_is_taken_by_the_maker() {
    // A page's port that somebody else holds must not matter.
    let _taken = std::net::TcpListener::bind("127.0.0.1:8080");
    let data = tempfile::tempdir().unwrap();
    let folder = rehearse(data.path(), "2");
    let events = read(&folder, "events.jsonl");
    let taken = events.lines().any(|line| {
        let event: serde_json::Value = serde_json::from_str(line).expect("a JSON line");
        event["kind"] == "alarm" && event["state"] == "acknowledged" && event["by"] == "ada"
    });
    assert!(taken, "nobody took an alarm:\n{events}");
}

#[test]
fn a_second_rehearsal_goes_on_in_the_same_folder() {
    let data = tempfile::tempdir().unwrap();
    let (first, second) = (rehearse(data.path(), "3"), rehearse(data.path(), "4"));
    assert_ne!(first, second);
    let events = read(&second, "events.jsonl");
    assert!(!events.contains("clock-unsure"), "the second day stands before the first:\n{events}");
}

/// A day that went on in the make of the day before had no lot of its own.
#[test]
fn what_an_interrupted_rehearsal_left_is_closed_first() {
    let data = tempfile::tempdir().unwrap();
    let mut left = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["rehearse", "--once", "--speed", "300", "--seed", "5", "--data"])
        .arg(data.path())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let lots = data.path().join("lots");
    let opened = || std::fs::read_dir(&lots).is_ok_and(|mut l| l.next().is_some());
    assert!(support::house::wait_for(std::time::Duration::from_secs(60), opened));
    left.kill().unwrap();
    left.wait().unwrap();
    let folder = rehearse(data.path(), "6");
    let all: Vec<PathBuf> = std::fs::read_dir(&lots).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(all.len(), 2, "{all:?}");
    for lot in all {
        assert!(lot.join("SHA256SUMS").is_file(), "{} is not sealed", lot.display());
    }
    let cooks = read(&folder, "lot.toml").matches("[[cook]]").count();
    assert_eq!(cooks, 1, "the printed lot is not the day's");
}

#[test]
fn a_plan_that_is_not_there_is_named() {
    let data = tempfile::tempdir().unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["rehearse", "--once", "--plan", "no-such-plan.toml", "--data"])
        .arg(data.path())
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(66));
    assert!(String::from_utf8_lossy(&out.stderr).contains("no-such-plan.toml"));
    assert!(out.stdout.is_empty());
}
