//! Clip a probe: see what is attached, see what it reads, with and without a
//! daemon; and press a button from the command line while the daemon runs.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::pty;

use std::path::Path;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Inbox, MarkAsk, Request};
use house::{House, config, journal, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);

fn curdtrace(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(args)
        .current_dir(folder)
        .env_remove("CURDTRACE_DATA")
        .env_remove("CURDTRACE_CONFIG")
        .output()
        .unwrap()
}

fn text(port: &Path) -> String {
    format!(
        "[dairy]\ndata = \"data\"\n[[kettle]]\nname = \"big\"\n[[probe]]\nname = \"milk\"\nkettle = \"big\"\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nprobes = {{ \"0\" = \"milk\" }}\n",
        port.display()
    )
}

/// Sends a reading every 50 ms until told to stop.
fn warming(mut pty: Pty, stop: &AtomicBool) {
    let mut n = 0;
    while !stop.load(Ordering::SeqCst) {
        pty.send_reading(n, "0", 30.0 + f64::from(n) * 0.001, 0);
        n += 1;
        std::thread::sleep(Duration::from_millis(50));
        pty.hear();
    }
}

fn while_warming<T>(port: &Path, act: impl FnOnce() -> T) -> T {
    let (pty, stop) = (Pty::plug(port), AtomicBool::new(false));
    std::thread::scope(|s| {
        s.spawn(|| warming(pty, &stop));
        let done = act();
        stop.store(true, Ordering::SeqCst);
        done
    })
}

#[test]
fn what_is_attached_is_listed_without_opening_anything() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    config(folder.path(), &text(&port));
    let absent = curdtrace(folder.path(), &["probe", "list", "--config", "c.toml"]);
    assert!(absent.status.success(), "{absent:?}");
    let said = String::from_utf8(absent.stdout).unwrap();
    assert!(said.contains("serial box: ") && said.contains("frames, not attached"), "{said}");
    assert!(said.contains("milk in kettle big"), "{said}");
    let pty = Pty::plug(&port);
    let there = curdtrace(folder.path(), &["probe", "list", "--config", "c.toml"]);
    assert!(String::from_utf8(there.stdout).unwrap().contains("frames, attached"));
    drop(pty);
    assert!(!folder.path().join("data").exists(), "nothing is made by looking");
}

#[test]
fn a_probe_is_read_live_without_a_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    config(folder.path(), &text(&port));
    let args = ["probe", "read", "milk", "--config", "c.toml", "--count", "5", "--patience-s", "8"];
    let out = while_warming(&port, || curdtrace(folder.path(), &args));
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout).unwrap();
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(lines.len(), 5, "{said}");
    assert!(lines.iter().all(|l| l.contains("30.") && l.contains("°C")), "{said}");
    // A probe that is not there is said so, and soon.
    let port = folder.path().join("gone");
    self::config(folder.path(), &text(&port));
    let out = curdtrace(folder.path(), &["probe", "read", "milk", "--config", "c.toml", "--patience-s", "1"]);
    assert_eq!(out.status.code(), Some(69));
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(said.contains("nothing from probe milk for 1 s"), "{said}");
    // The port that the configuration names is gone: named before waiting and after.
    let port = port.display();
    assert_eq!(said.matches(&format!("waiting for {port} to be plugged in\n")).count(), 1, "{said}");
    assert_eq!(said.matches(&format!("{port} is not there; plug it in")).count(), 1, "{said}");
}

/// That a port may not be opened, or is another program's, was hidden.
#[test]
fn a_port_that_cannot_be_opened_is_told_with_why() {
    let folder = tempfile::tempdir().unwrap();
    let read = |port: &str| {
        let args = ["probe", "read", "milk", "--port", port, "--format", "number", "--patience-s", "1"];
        let out = curdtrace(folder.path(), &args);
        (out.status.code(), String::from_utf8(out.stderr).unwrap())
    };
    let port = folder.path().join("box");
    let _pty = Pty::plug(&port);
    let path = port.to_str().unwrap();
    let _held = serialport::new(path, 9600).open_native().unwrap();
    let (code, said) = read(path);
    assert_eq!(code, Some(69), "{said}");
    assert!(said.contains(&format!("{path} cannot be opened")) && said.contains("another program"), "{said}");
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    let (_, said) = read(file.to_str().unwrap());
    assert!(said.contains("file cannot be opened (Not a typewriter)"), "{said}");
}

/// `probe read milk | head -2` went on for ever.
#[test]
fn whoever_has_read_enough_ends_it() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    config(folder.path(), &text(&port));
    let read = format!(
        "{} probe read milk --config c.toml | head -2; echo ${{PIPESTATUS[0]}}",
        env!("CARGO_BIN_EXE_curdtrace")
    );
    let out = while_warming(&port, || {
        Command::new("timeout").args(["60", "bash", "-c", &read]).current_dir(folder.path()).output().unwrap()
    });
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(
        said.lines().count() == 3 && said.ends_with("\n0\n"),
        "{said}{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

/// It named a flag that there is not.
#[test]
fn json_over_a_port_named_by_flags_is_refused_with_the_way() {
    let folder = tempfile::tempdir().unwrap();
    let out = curdtrace(folder.path(), &["probe", "read", "milk", "--port", "box", "--format", "json"]);
    let said = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.code() == Some(64) && said.contains("value-at") && said.contains("--config"),
        "{said}"
    );
    assert!(!said.contains("--[["), "{said}");
}

/// "nothing from probe milk", though bytes came.
#[test]
fn bytes_that_are_no_readings_are_shown() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    let (mut pty, stop) = (Pty::plug(&port), AtomicBool::new(false));
    let out = std::thread::scope(|s| {
        s.spawn(|| {
            while !stop.load(Ordering::SeqCst) {
                pty.send(b"garbage \xffhere\r\n");
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        let port = port.to_str().unwrap();
        let args = [
            "probe",
            "read",
            "milk",
            "--port",
            port,
            "--format",
            "number",
            "--baud",
            "9600",
            "--patience-s",
            "2",
        ];
        let out = curdtrace(folder.path(), &args);
        stop.store(true, Ordering::SeqCst);
        out
    });
    assert_eq!(out.status.code(), Some(69));
    let said = String::from_utf8_lossy(&out.stderr);
    for says in ["no number", "garbage \\xffhere", "--format", "--baud", "9600"] {
        assert!(said.contains(says), "{says}: {said}");
    }
}

#[test]
fn a_running_daemon_keeps_its_port_and_is_read_through_its_journal() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    let config = config(folder.path(), &text(&port));
    let house = House::open(config, Clock::real());
    let args = ["probe", "read", "milk", "--config", "c.toml", "--count", "3", "--json"];
    let out = while_warming(&port, || {
        assert!(wait_for(SOON, || house.taken() > 5));
        curdtrace(folder.path(), &args)
    });
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let said = String::from_utf8(out.stdout).unwrap();
    assert_eq!(said.lines().filter(|l| l.starts_with("{\"kind\":\"reading\"")).count(), 3, "{said}");
    assert!(house.is_up("box") || house.counted("box", "reopened") > 0);
    house.close().unwrap();
}

#[test]
fn a_mark_from_the_command_line_goes_through_the_running_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    let house = House::open(config(folder.path(), &text(&port)), Clock::real());
    let data = folder.path().join("data");
    let ask = |name: &str| {
        let mark = MarkAsk { kettle: "big".into(), name: name.into(), ..MarkAsk::default() };
        let at = At(Clock::real().now().wall_ns);
        let inbox = Inbox::of(&Disk, &data).unwrap();
        let request = Request { at, by: Some("ada".into()), ask: Ask::Mark(mark) };
        let name = inbox.ask(&request, std::process::id()).unwrap();
        let mut answer = None;
        assert!(wait_for(SOON, || {
            answer = inbox.take_answer(&name).unwrap();
            answer.is_some()
        }));
        answer.unwrap()
    };
    let good = ask("rennet");
    assert_eq!((good.code, good.text.contains("marked rennet")), (0, true), "{good:?}");
    // It is answered when it is on disk.
    let is_mark = |l: &&String| l.starts_with("mark,kettle=big name=\"rennet\",by=\"ada\"");
    assert_eq!(journal(&data).iter().filter(is_mark).count(), 1);
    assert_eq!(house.shown().marks.len(), 1);
    let bad = ask("sing");
    assert_eq!(bad.code, 64, "{bad:?}");
    house.close().unwrap();
}
