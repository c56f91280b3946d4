//! Promise: `probe calibrate`, as a new user would try it, against a simulated
//! box on a pseudo-terminal: ice, boiling at 1900 m, and a K wire set as T.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::moody_disk::MoodyDisk;
use support::pty;

use std::io::Write as _;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use curdtrace::daemon::calibrations;
use curdtrace::lot::hold::Hold;
use curdtrace::sensor::calibration::{Record, Shape};
use curdtrace::sensor::fault::{Fault, Faults};
use curdtrace::sensor::raw::Signal;
use curdtrace::sensor::thermocouple::Couple;
use curdtrace::wire::frame::{BoxReading, Frame, encode};
use pty::Pty;

/// Water boils at 93.65 °C at 1900 m on a standard day (IAPWS-IF97, US
/// Standard Atmosphere 1976; tests/tables/boiling_altitude.txt), where the
/// barometer shows 804.93 hPa.
const BOILING_1900_M: f64 = 93.6507;

const COLD_JUNCTION: f64 = 21.5;

/// What the wire is in.
#[derive(Clone, Copy)]
struct Bath {
    celsius: f64,
    open: bool,
}

/// A box with a type K wire, ten frames a second, its voltage only.
struct Hut {
    bath: Arc<Mutex<Bath>>,
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU32>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Hut {
    /// `error(t)` is what this wire is off at `t`.
    fn with_box(folder: &Path, error: fn(f64) -> f64) -> Self {
        let mut pty = Pty::plug(&folder.join("box"));
        let bath = Arc::new(Mutex::new(Bath { celsius: 21.0, open: false }));
        let (stop, sent) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU32::new(0)));
        let (b, s, n) = (bath.clone(), stop.clone(), sent.clone());
        let thread = std::thread::spawn(move || {
            let mut probe = 21.0;
            while !s.load(Ordering::SeqCst) {
                let Bath { celsius, open } = *b.lock().unwrap();
                // A lag of half a second.
                probe += (celsius - probe) * 0.2;
                let seq = n.fetch_add(1, Ordering::SeqCst);
                // ±2 µV of noise, always the same.
                let noise = f64::from((seq * 7) % 5) - 2.0;
                let mv = Couple::K.emf_mv(probe + error(probe)).unwrap()
                    - Couple::K.emf_mv(COLD_JUNCTION).unwrap();
                let (signal, faults) = if open {
                    (Signal::Nothing, Faults::NONE.with(Fault::Open))
                } else {
                    (Signal::Microvolt { uv: mv * 1000.0 + noise, couple: None }, Faults::NONE)
                };
                pty.send(&encode(&Frame::Reading(BoxReading {
                    seq,
                    probe: "0".into(),
                    signal,
                    cold_junction_celsius: Some(COLD_JUNCTION),
                    faults,
                    age_ms: 0,
                })));
                pty.hear();
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        Self { bath, stop, sent, thread: Some(thread) }
    }

    fn dip(&self, celsius: f64) {
        self.bath.lock().unwrap().celsius = celsius;
    }
}

impl Drop for Hut {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::SeqCst);
        let _ = self.thread.take().unwrap().join();
    }
}

fn config(folder: &Path, couple: &str) {
    let text = format!(
        "[dairy]\naltitude-m = 1900\ndata = \"data\"\n[[probe]]\nname = \"kettle\"\ncouple = \"{couple}\"\ncalibration-days = 90\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nprobes = {{ \"0\" = \"kettle\" }}\n",
        folder.join("box").display()
    );
    std::fs::write(folder.join("c.toml"), text).unwrap();
}

fn calibrate(folder: &Path, args: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["probe", "calibrate", "kettle", "--settle-s", "3", "--patience-min", "1"])
        .args(args)
        .current_dir(folder)
        .env_remove("CURDTRACE_CONFIG")
        .env_remove("CURDTRACE_DATA")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

fn ended(child: Child) -> (Option<i32>, String, String) {
    let Output { status, stdout, stderr } = child.wait_with_output().unwrap();
    (status.code(), String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap())
}

/// The probe reads 0.4 °C high in ice and 0.5 °C low in boiling water; with
/// the barometer both correct, and a second calibration finds nothing left.
#[test]
fn ice_and_boiling_water_with_nothing_asked() {
    let folder = tempfile::tempdir().unwrap();
    config(folder.path(), "K");
    let hut = Hut::with_box(folder.path(), |t| 0.4 - 0.9 * t / BOILING_1900_M);
    for (round, found) in [(1, (0.4, -0.5)), (2, (0.0, 0.0))] {
        hut.dip(0.0);
        let args = [
            "--config",
            "c.toml",
            "--ice",
            "--boiling",
            "--barometer-hpa",
            "804.93",
            "--by",
            "ada",
            "--yes",
            "--date",
            "2026-06-14",
        ];
        let child = calibrate(folder.path(), &args);
        // Out of the ice and into the kettle when it has surely stood.
        std::thread::sleep(Duration::from_secs(7));
        hut.dip(BOILING_1900_M);
        let (code, out, said) = ended(child);
        assert_eq!(code, Some(0), "{said}");
        assert!(out.contains("data/calibrations/kettle/2026-06-14"), "{out}");
        let record = calibrations::of(&folder.path().join("data"), "kettle").latest.unwrap();
        assert_eq!((record.number, record.by.as_str(), record.due.as_str()), (round, "ada", "2026-09-12"));
        assert_eq!(record.points.len(), 2);
        for (p, (truth, off)) in record.points.iter().zip([(0.0, found.0), (BOILING_1900_M, found.1)]) {
            assert!((p.true_celsius - truth).abs() < 0.01, "{p:?}");
            assert!((p.as_found_celsius - truth - off).abs() < 0.06, "round {round}: {p:?}\n{said}");
            assert!((p.as_left_celsius - truth).abs() < 0.06, "{p:?}");
            assert!(p.corrected && p.readings >= 20, "{p:?}");
            assert!((p.cold_junction_celsius.unwrap() - COLD_JUNCTION).abs() < 1e-6);
        }
        assert!((0.1..0.5).contains(&record.expanded_uncertainty_celsius));
        // Corrected half way: 46.8 °C reads 0.05 °C low and is set right.
        let applied = record.applied().unwrap();
        assert!((applied.correction.apply(46.775) - 46.825).abs() < 0.06);
    }
    // Read live, the number bears its uncertainty.
    let read = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["probe", "read", "kettle", "--config", "c.toml", "--count", "12"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    let shown = String::from_utf8(read.stdout).unwrap();
    assert!(shown.lines().all(|l| l.contains(" ±0.")), "{shown}");
    assert_eq!(shown.lines().count(), 12);
    let kept = std::fs::read_dir(calibrations::folder(&folder.path().join("data"), "kettle")).unwrap();
    assert_eq!(kept.count(), 2, "the first is not overwritten");
}

/// A calibration that found no room left an empty file, and that spoiled the one which
/// held.
#[test]
fn a_calibration_that_cannot_be_written_leaves_the_one_that_holds() {
    let data = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let record = |number, time: &str| Record {
        probe: "milk".into(),
        number,
        time: time.into(),
        by: "ada".into(),
        sensor: "type K thermocouple".into(),
        shape: Shape::Linear,
        knots: vec![(0.0, 0.1)],
        expanded_uncertainty_celsius: 0.2,
        due: "2026-12-11".into(),
        remarks: vec![],
        points: vec![],
    };
    let keep = |number, time| calibrations::keep_on(&disk, data.path(), &record(number, time));
    keep(1, "2026-06-14T08:12:30Z").unwrap();
    disk.0.full.store(true, Ordering::SeqCst);
    let why = keep(2, "2026-06-15T08:12:30Z").unwrap_err();
    assert!(why.to_string().contains("2026-06-15"), "{why}");
    let kept = calibrations::of(data.path(), "milk");
    assert_eq!((kept.latest.unwrap().number, kept.faults.len()), (1, 0));
    disk.0.full.store(false, Ordering::SeqCst);
    keep(2, "2026-06-15T08:12:30Z").unwrap();
    assert_eq!(calibrations::of(data.path(), "milk").latest.unwrap().number, 2);
}

/// A K wire, set as T: the ice point sees nothing, the boiling point finds it.
#[test]
fn a_k_wire_set_as_t_is_found_in_boiling_water_and_not_in_ice() {
    let folder = tempfile::tempdir().unwrap();
    config(folder.path(), "T");
    let hut = Hut::with_box(folder.path(), |_| 0.0);
    hut.dip(0.0);
    let base = ["--config", "c.toml", "--by", "ada", "--yes", "--date", "2026-06-14"];
    let (code, _, said) = ended(calibrate(folder.path(), &[&base[..], &["--ice"]].concat()));
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("the ice point cannot find a mixed-up wire"), "{said}");
    hut.dip(BOILING_1900_M);
    let (code, out, said) = ended(calibrate(folder.path(), &[&base[..], &["--boiling"]].concat()));
    assert_eq!((code, out.as_str()), (Some(65), ""), "{said}");
    assert!(said.contains("A type K wire read as type T gives just this"), "{said}");
    assert!(said.contains("couple = \"K\""), "{said}");
    // Set right, the same wire in the same water is fine.
    let (code, _, said) = ended(calibrate(folder.path(), &[&base[..], &["--couple", "K", "--ice"]].concat()));
    assert_eq!(code, Some(65), "boiling water is no ice: {said}");
    assert!(said.contains("Is it crushed ice"), "{said}");
    // At cooking temperature the mix-up is 0.6 °C: doubted, not hidden.
    hut.dip(54.0);
    let (code, _, said) = ended(calibrate(folder.path(), &[&base[..], &["--reference", "54.0"]].concat()));
    assert_eq!(code, Some(65), "{said}");
    assert!(said.contains("type K wire") && said.contains("--accept-doubt"), "{said}");
    let record = calibrations::of(&folder.path().join("data"), "kettle").latest.unwrap();
    assert_eq!(record.number, 1, "nothing of this was kept");
}

/// Guided: questions answered line by line; a wire that opens meanwhile; the
/// altitude of the configuration, by which boiling water only checks.
#[test]
fn guided_by_questions() {
    let folder = tempfile::tempdir().unwrap();
    config(folder.path(), "K");
    let hut = Hut::with_box(folder.path(), |_| 0.3);
    hut.bath.lock().unwrap().open = true;
    let mut child =
        calibrate(folder.path(), &["--config", "c.toml", "--ice", "--boiling", "--reference", "ask"]);
    let mut answers = child.stdin.take().unwrap();
    let mut type_in = |text: &str, wait_s: f64| {
        writeln!(answers, "{text}").unwrap();
        std::thread::sleep(Duration::from_secs_f64(wait_s));
    };
    type_in("ada", 0.5);
    hut.dip(0.0);
    type_in("", 1.5);
    hut.bath.lock().unwrap().open = false;
    std::thread::sleep(Duration::from_secs(7));
    hut.dip(BOILING_1900_M);
    std::thread::sleep(Duration::from_secs(4));
    type_in("", 7.0);
    hut.dip(52.0);
    std::thread::sleep(Duration::from_secs(4));
    type_in("", 7.0);
    type_in("52.0", 0.2);
    type_in("y", 0.0);
    let (code, out, said) = ended(child);
    assert_eq!(code, Some(0), "{said}");
    for words in [
        "1 of 3: ICE",
        "No number: open circuit",
        "2 of 3: BOILING WATER",
        "93.65 °C on an ordinary day",
        "it checks, it does not correct",
        "What does the reference thermometer show?",
        "Keep this calibration?",
    ] {
        assert!(said.contains(words), "{words:?} is not in {said}");
    }
    let record = calibrations::of(&folder.path().join("data"), "kettle").latest.unwrap();
    assert!(out.contains("calibrations/kettle/"), "{out}");
    let corrected: Vec<bool> = record.points.iter().map(|p| p.corrected).collect();
    assert_eq!(corrected, [true, false, true]);
    assert!((record.applied().unwrap().correction.apply(40.3) - 40.0).abs() < 0.06);
    assert!(hut.sent.load(Ordering::SeqCst) > 100);
}

#[test]
fn what_cannot_be_is_said_at_once() {
    let folder = tempfile::tempdir().unwrap();
    config(folder.path(), "K");
    for (args, code, says) in [
        (&["--config", "c.toml", "--by", "a", "--yes"][..], 64, "say against what"),
        (&["--config", "c.toml", "--yes", "--ice"], 64, "--by is missing"),
        (&["--config", "c.toml", "--ice", "--by", "a", "--date", "soon"], 64, "no day"),
        (&["--config", "c.toml", "--boiling", "--barometer-hpa", "29.9", "--by", "a"], 64, "500 to 1100 hPa"),
        (&["--port", "box", "--format", "morse", "--ice", "--by", "a"], 64, "one of frames, number"),
        (&["--config", "c.toml", "--reference", "500", "--by", "a"], 64, "beyond any kettle"),
        // The input ends: no endless asking.
        (&["--config", "c.toml", "--ice"], 64, "the input ended"),
    ] {
        let mut child = calibrate(folder.path(), args);
        drop(child.stdin.take());
        let (got, out, said) = ended(child);
        assert_eq!((got, out.as_str()), (Some(code), ""), "{args:?}: {said}");
        assert!(said.contains(says), "{args:?}: {said}");
    }
}

#[test]
fn a_running_daemon_is_named_at_once() {
    let folder = tempfile::tempdir().unwrap();
    config(folder.path(), "K");
    let hold = Hold::take(&folder.path().join("data")).unwrap();
    assert!(hold.is_some());
    let (code, out, said) =
        ended(calibrate(folder.path(), &["--config", "c.toml", "--ice", "--by", "ada", "--yes"]));
    assert_eq!((code, out.as_str()), (Some(69), ""), "{said}");
    assert!(said.contains("the daemon runs and holds the port; stop it first"), "{said}");
}
