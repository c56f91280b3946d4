//! Promise: transmitters are read over Modbus RTU and TCP. The other end is an
//! independent library's server (pymodbus): over two pseudo-terminals wired
//! across, and on loopback.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::referee;

use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use curdtrace::daemon::calibrations;
use curdtrace::daemon::clock::Clock;
use curdtrace::lot::hold::Hold;
use curdtrace::sensor::calibration::Record;
use house::{House, config, journal, wait_for};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

const SOON: Duration = Duration::from_secs(10);

/// Two serial devices wired across.
struct Cable {
    ends: [String; 2],
    cut: Arc<AtomicBool>,
}

impl Cable {
    fn new() -> Self {
        let masters = [(); 2].map(|()| {
            let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
            grantpt(&master).unwrap();
            unlockpt(&master).unwrap();
            let mut t = tcgetattr(&master).unwrap();
            t.make_raw();
            tcsetattr(&master, OptionalActions::Now, &t).unwrap();
            master
        });
        let ends = [0, 1].map(|i| ptsname(&masters[i], Vec::new()).unwrap().into_string().unwrap());
        let [a, b] = masters.map(File::from);
        let cut = Arc::new(AtomicBool::new(false));
        for (from, to) in [(&a, &b), (&b, &a)] {
            let (mut from, mut to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
            let cut = cut.clone();
            std::thread::spawn(move || {
                let mut bytes = [0; 512];
                loop {
                    match from.read(&mut bytes) {
                        Ok(n) if !cut.load(Ordering::SeqCst) => to.write_all(&bytes[..n]).unwrap(),
                        Ok(_) => {}
                        // Nobody holds the other end just now.
                        Err(_) => std::thread::sleep(Duration::from_millis(2)),
                    }
                }
            });
        }
        Self { ends, cut }
    }
}

/// The independent server; ends with its standard input.
struct Server {
    child: Child,
    port: String,
}

impl Server {
    fn start(args: &[&str]) -> Self {
        let mut child = Command::new(referee::python("pymodbus, serial"))
            .arg(referee::script("modbus_server.py"))
            .args(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let port = line.trim().strip_prefix("ready").unwrap_or_else(|| panic!("server said {line:?}"));
        Self { child, port: port.trim().to_owned() }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Every register of the server's unit 7, one that is not there, and one of a
/// unit that is not there.
fn registers() -> String {
    let mut text = String::new();
    for (probe, keys) in [
        ("tenths", "unit-id = 7\naddress = 0\nscale = 0.1"),
        ("cold", "unit-id = 7\naddress = 1\nscale = 0.1"),
        ("broken", "unit-id = 7\naddress = 2\nscale = 0.1"),
        ("float", "unit-id = 7\ntable = \"holding\"\naddress = 10\nformat = \"f32\""),
        (
            "swapped",
            "unit-id = 7\ntable = \"holding\"\naddress = 12\nformat = \"f32\"\nword-order = \"low-first\"",
        ),
        ("fahrenheit", "unit-id = 7\naddress = 0\nscale = 0.1\nunit = \"F\""),
        ("nowhere", "unit-id = 7\naddress = 5000"),
        ("nobody", "unit-id = 9\naddress = 0"),
    ] {
        writeln!(text, "[[modbus.register]]\nprobe = \"{probe}\"\n{keys}").unwrap();
    }
    text
}

fn house(folder: &Path, link: &str) -> House {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[modbus]]\nname = \"panel\"\n{link}\n\
         every-s = 0.2\nanswer-within-s = 0.3\n{}",
        registers()
    );
    House::open(config(folder, &text), Clock::real())
}

/// The newest journal line of a probe.
fn newest(lines: &[String], probe: &str) -> String {
    lines
        .iter()
        .rfind(|l| l.starts_with(&format!("temperature,probe={probe} ")))
        .unwrap_or_else(|| panic!("no reading of {probe} in {lines:#?}"))
        .clone()
}

/// The journal once every register was read twice.
fn two_rounds(folder: &Path) -> Vec<String> {
    let lines = || journal(&folder.join("data"));
    let last = |lines: &[String]| lines.iter().filter(|l| l.starts_with("temperature,probe=nobody ")).count();
    assert!(wait_for(SOON, || last(&lines()) >= 2), "two rounds");
    lines()
}

fn expect_all(lines: &[String]) {
    for (probe, says) in [
        ("tenths", "celsius=31.2"),
        ("cold", "celsius=-10"),
        ("float", "celsius=51.75"),
        ("swapped", "celsius=51.75"),
        ("fahrenheit", "celsius=-0.444"),
    ] {
        assert!(newest(lines, probe).contains(says), "{}", newest(lines, probe));
    }
    for (probe, says) in [("broken", "its sensor is broken"), ("nowhere", "illegal data address")] {
        let line = newest(lines, probe);
        assert!(!line.contains("celsius="), "{line}");
        assert!(line.contains("health=\"failure\"") && line.contains(says), "{line}");
    }
    let line = newest(lines, "nobody");
    assert!(!line.contains("celsius=") && line.contains("health=\"failure\""), "{line}");
}

#[test]
fn transmitters_are_read_over_rtu() {
    let cable = Cable::new();
    let _server = Server::start(&["rtu", &cable.ends[0]]);
    let folder = tempfile::tempdir().unwrap();
    let link = format!("port = \"{}\"\nbaud = 9600\nparity = \"none\"", cable.ends[1]);
    let house = house(folder.path(), &link);
    expect_all(&two_rounds(folder.path()));
    // The cable is pulled: no number any more, and the reason.
    cable.cut.store(true, Ordering::SeqCst);
    let before = house.counted("panel", "readings");
    assert!(wait_for(SOON, || house.counted("panel", "readings") >= before + 10));
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let line = newest(&lines, "tenths");
    assert!(!line.contains("celsius=") && line.contains("unit 7 does not answer within 0.3 s"), "{line}");
}

#[test]
fn transmitters_are_read_over_tcp_and_again_after_it_was_away() {
    let server = Server::start(&["tcp"]);
    let folder = tempfile::tempdir().unwrap();
    let house = house(folder.path(), &format!("address = \"127.0.0.1:{}\"", server.port));
    expect_all(&two_rounds(folder.path()));
    drop(server);
    assert!(wait_for(SOON, || !house.is_up("panel")), "a line that is away is said to be");
    house.close().unwrap();
}

/// `probe calibrate` of a transmitter beside a reference thermometer.
fn calibrate(folder: &Path, link: &str, more: &[&str]) -> Child {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[modbus]]\nname = \"panel\"\n{link}\nevery-s = 0.2\nanswer-within-s = 0.3\n{}",
        registers()
    );
    std::fs::write(folder.join("c.toml"), text).unwrap();
    Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["probe", "calibrate", "--config", "c.toml", "--by", "ada", "--yes", "--settle-s", "2"])
        .args(more)
        .current_dir(folder)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Its exit code, what it said, and what was kept.
fn calibrated(folder: &Path, link: &str, more: &[&str]) -> (Option<i32>, String, Option<Record>) {
    let out = calibrate(folder, link, more).wait_with_output().unwrap();
    let record = calibrations::of(&folder.join("data"), more[0]).latest;
    (out.status.code(), String::from_utf8(out.stderr).unwrap(), record)
}

#[test]
fn a_transmitter_is_calibrated_over_rtu() {
    let cable = Cable::new();
    let _server = Server::start(&["rtu", &cable.ends[0]]);
    let folder = tempfile::tempdir().unwrap();
    let link = format!("port = \"{}\"\nbaud = 9600\nparity = \"none\"", cable.ends[1]);
    // 31.2 °C in tenths, where the reference shows 31.0.
    let (code, said, record) = calibrated(folder.path(), &link, &["tenths", "--reference", "31.0"]);
    assert_eq!(code, Some(0), "{said}");
    let record = record.unwrap();
    let point = &record.points[0];
    assert!((point.as_found_celsius - 31.2).abs() < 1e-6 && point.readings >= 4, "{point:?}");
    assert!((record.applied().unwrap().correction.apply(31.2) - 31.0).abs() < 0.01);
    // A transmitter whose sensor broke has no number, and its reason is said.
    let mut child = calibrate(folder.path(), &link, &["broken", "--reference", "31.0"]);
    let said = BufReader::new(child.stderr.take().unwrap()).lines().map_while(Result::ok);
    let why = said.into_iter().find(|l| l.starts_with("No number: ")).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(why.contains("sensor is broken"), "{why}");
    // A daemon that holds the line is named.
    let _hold = Hold::take(&folder.path().join("data")).unwrap().unwrap();
    let (code, said, _) = calibrated(folder.path(), &link, &["tenths", "--reference", "31.0"]);
    assert_eq!(code, Some(69), "{said}");
    assert!(said.contains("the daemon runs and holds the port; stop it first"), "{said}");
}

#[test]
fn a_transmitter_is_calibrated_over_tcp_beside_the_daemon() {
    let server = Server::start(&["tcp"]);
    let folder = tempfile::tempdir().unwrap();
    let link = format!("address = \"127.0.0.1:{}\"", server.port);
    let house = house(folder.path(), &link);
    assert!(wait_for(SOON, || house.counted("panel", "readings") >= 16), "two rounds");
    let (code, said, record) = calibrated(folder.path(), &link, &["float", "--reference", "52.0"]);
    assert_eq!(code, Some(0), "{said}");
    assert!((record.unwrap().points[0].as_found_celsius - 51.75).abs() < 1e-6);
    assert!(house.is_up("panel"), "the daemon goes on");
    house.close().unwrap();
    // Nobody there: said soon, with what to look at.
    drop(server);
    let (code, said, _) = calibrated(folder.path(), &link, &["tenths", "--reference", "31.0"]);
    assert_eq!(code, Some(69), "{said}");
    assert!(said.contains("nothing was heard of tenths") && said.contains("panel"), "{said}");
}

/// Another service on the port is not taken for a transmitter.
#[test]
fn a_stranger_gives_no_reading() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let _ = stream.unwrap().write_all(b"HTTP/1.1 400 Bad Request\r\n\r\n");
        }
    });
    let folder = tempfile::tempdir().unwrap();
    let house = house(folder.path(), &format!("address = \"127.0.0.1:{port}\""));
    assert!(wait_for(SOON, || house.counted("panel", "reopened") >= 2));
    house.close().unwrap();
    assert!(!journal(&folder.path().join("data")).iter().any(|l| l.starts_with("temperature")));
}

/// A unit on an RTU line whose first eight answers come so late, milliseconds by turns,
/// and all others at once: register 0 holds 300, register 1 holds 800. One that is busy
/// hears nothing meanwhile.
fn slow_unit(end: &str, late_ms: &'static [u64], busy: bool) {
    let mut port = File::options().read(true).write(true).open(end).unwrap();
    std::thread::spawn(move || {
        let mut asked = [0; 8];
        for n in 0.. {
            port.read_exact(&mut asked).unwrap();
            let value: u16 = if asked[3] == 0 { 300 } else { 800 };
            let mut answer = vec![asked[0], asked[1], 2];
            answer.extend(value.to_be_bytes());
            answer.extend(curdtrace::wire::modbus::CRC.checksum(&answer).to_le_bytes());
            let late = Duration::from_millis(if n < 8 { late_ms[n % late_ms.len()] } else { 10 });
            let mut line = port.try_clone().unwrap();
            let mut answers = move || {
                std::thread::sleep(late);
                line.write_all(&answer).unwrap();
            };
            if busy {
                answers();
                tcflush(&port, QueueSelector::IFlush).unwrap();
            } else {
                std::thread::spawn(answers);
            }
        }
    });
}

/// An RTU answer bears no register's number: one that came too late for its
/// own question was taken for the answer to the next, with good health.
fn no_late_answer_is_anothers(late_ms: &'static [u64], busy: bool) {
    let cable = Cable::new();
    slow_unit(&cable.ends[0], late_ms, busy);
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[modbus]]\nname = \"panel\"\nport = \"{}\"\n\
         baud = 19200\nevery-s = 0.1\nanswer-within-s = 0.5\n\
         [[modbus.register]]\nprobe = \"low\"\nunit-id = 1\naddress = 0\nscale = 0.1\n\
         [[modbus.register]]\nprobe = \"high\"\nunit-id = 1\naddress = 1\nscale = 0.1\n",
        cable.ends[1]
    );
    let house = House::open(config(folder.path(), &text), Clock::real());
    let said = |probe: &str| -> Vec<String> {
        let of = |l: &String| l.starts_with(&format!("temperature,probe={probe} ")) && l.contains("celsius=");
        journal(&folder.path().join("data")).into_iter().filter(of).collect()
    };
    let heard = wait_for(SOON * 6, || said("low").len() > 3 && said("high").len() > 3);
    house.close().unwrap();
    for (probe, own) in [("low", "celsius=30 "), ("high", "celsius=80 ")] {
        let foreign = said(probe).into_iter().find(|l| !l.contains(own));
        assert!(foreign.is_none(), "{foreign:?}");
    }
    assert!(heard, "once it answers in time it is heard");
}

#[test]
fn a_late_answer_is_never_another_registers_value() {
    no_late_answer_is_anothers(&[800, 850], false);
}

#[test]
fn a_late_answer_of_a_unit_that_is_busy_meanwhile_is_none_either() {
    no_late_answer_is_anothers(&[1050, 1200, 1400], true);
}
