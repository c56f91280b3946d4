//! Promise: an alarm reaches every outlet within a second of the reading that
//! caused it, with the journal's disk stalled too. Measured from the bytes of
//! that reading on the serial line to the box's own buzzer (back down the
//! line), a broker, an HTTP server, a program of the house, and a page.
//!
//! A kettle is warmed until `heat-off` is called, which has no delay of its
//! own; each call is that of another kettle. The daemon's clock is moved by
//! hand, so that a warming takes as long as its readings do, no longer.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use support::broker;
use support::house;
use support::moody_disk;
use support::pty;

use std::fmt::Write as _;
use std::fs::OpenOptions;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::atomic::Ordering;
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use broker::{Broker, Hand};
use curdtrace::daemon::Setup;
use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::input::Incoming;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::event::{Ask, Command as Commanded, Mark, MarkKind, Name};
use curdtrace::wire::frame::{Frame, Sound};
use curdtrace::wire::json::rfc3339;
use house::{House, config, wait_for};
use moody_disk::MoodyDisk;
use pty::Pty;

/// Calls with either disk.
const CALLS: usize = 5;
const SOON: Duration = Duration::from_secs(20);
/// 14 July 2026, 04:00 UTC.
const MORNING_NS: i64 = 1_784_001_600_000_000_000;
/// The stalled disk ends no sync before this.
const STALL_MS: u64 = 600_000;
const OUTLETS: [&str; 5] = ["the box's buzzer", "a broker", "HTTP", "a program", "the page"];

/// Who heard of which kettle's call, and when.
type Heard = mpsc::Receiver<(usize, String, Instant)>;

fn kettle(n: usize) -> String {
    format!("k{n}")
}

fn readings_of(kettle: &str) -> String {
    format!("curdtrace/{kettle}/reading")
}

/// The names of kettles that `text` speaks of as calling for the heat off.
fn listens(to: &mpsc::Sender<(usize, String, Instant)>, outlet: usize, text: &str) {
    let now = Instant::now();
    for word in text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|w| w.starts_with('k')) {
        let _ = to.send((outlet, word.to_owned(), now));
    }
}

/// A machine of the house, and a pipe that a program writes into.
fn ears(pipe: &Path, tell: &mpsc::Sender<(usize, String, Instant)>) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let told = tell.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let (mut stream, mut bytes) = (stream.unwrap(), [0; 2048]);
            let n = stream.read(&mut bytes).unwrap();
            let text = String::from_utf8_lossy(&bytes[..n]).into_owned();
            listens(&told, 2, text.split("\r\n\r\n").nth(1).unwrap_or_default());
            let _ = stream.write_all(b"HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n");
        }
    });
    assert!(Command::new("mkfifo").arg(pipe).status().unwrap().success());
    // Opened for both, so that it has no end between two writers.
    let reader = BufReader::new(OpenOptions::new().read(true).write(true).open(pipe).unwrap());
    let told = tell.clone();
    std::thread::spawn(move || reader.lines().for_each(|line| listens(&told, 3, &line.unwrap())));
    port
}

/// A page: told of every kettle whose call nobody took.
fn page(port: u16, tell: mpsc::Sender<(usize, String, Instant)>) {
    let stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    // HTTP/1.0: the answer comes without chunks.
    (&stream)
        .write_all(format!("GET /api/v1/live HTTP/1.0\r\nhost: 127.0.0.1:{port}\r\n\r\n").as_bytes())
        .unwrap();
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            let Some(data) = line.strip_prefix("data: ") else { continue };
            let now = Instant::now();
            let state: serde_json::Value = serde_json::from_str(data).unwrap();
            for k in state["kettles"].as_array().unwrap() {
                let calls =
                    |a: &serde_json::Value| a["alarm"] == "heat-off" && a["state"] == "unacknowledged";
                if k["alarms"].as_array().unwrap().iter().any(calls) {
                    let _ = tell.send((4, k["kettle"].as_str().unwrap().to_owned(), now));
                }
            }
        }
    });
}

/// The whole house: daemon, box, broker and ears.
struct Scene {
    house: House,
    clock: Clock,
    disk: MoodyDisk,
    pty: Pty,
    hand: Hand,
    heard: Heard,
    seq: u32,
    runtime: tokio::runtime::Runtime,
    broker: Broker,
    _folder: tempfile::TempDir,
}

impl Scene {
    fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let broker = Broker::start(folder.path(), None);
        let hand = Hand::new(broker.port, "hand", None, "curdtrace/+/alarm/heat-off");
        let (tell, heard) = mpsc::channel();
        let pipe = folder.path().join("pipe");
        let http = ears(&pipe, &tell);
        let web = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let text = setting(folder.path(), &pipe, broker.port, http, web);
        std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
        let clock = Clock::by_hand(MORNING_NS);
        let mut setup = Setup::of(config(folder.path(), &text), clock.clone());
        let disk = MoodyDisk::default();
        setup.storage = Arc::new(disk.clone());
        let pty = Pty::plug(&folder.path().join("box"));
        let house = House::with(setup);
        assert!(wait_for(SOON, || house.is_up("box") && house.is_up("broker")));
        assert!(wait_for(SOON, || TcpStream::connect(("127.0.0.1", web)).is_ok()));
        page(web, tell);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        Self { house, clock, disk, pty, hand, heard, seq: 0, runtime, broker, _folder: folder }
    }

    /// A reading a second of the daemon's clock; the moment its bytes went out.
    fn reads(&mut self, probe: &str, celsius: f64) -> Instant {
        self.clock.advance(Duration::from_secs(1));
        let taken = self.house.taken();
        let sent = Instant::now();
        self.seq += 1;
        self.pty.send_reading(self.seq, probe, celsius, 0);
        let taken_in = || self.house.taken() > taken;
        assert!(wait_for(SOON, taken_in), "reading {} is not taken in", self.seq);
        self.pty.hear();
        sent
    }

    fn calls(&self, name: &str) -> bool {
        let shown = self.house.shown();
        let k = shown.view.kettles.iter().find(|k| &*k.kettle == name);
        k.is_some_and(|k| {
            k.alarms.iter().any(|a| a.alarm == AlarmKind::HeatOff && a.state == AlarmState::Unacknowledged)
        })
    }

    /// Warms a kettle until the daemon calls; when the reading that did it was
    /// sent.
    fn warms(&mut self, name: &str) -> Instant {
        self.pty.heard.clear();
        for n in 0..60 {
            self.reads(name, 28.0 + f64::from(n % 3) * 0.01);
        }
        let mark = Mark { kettle: Name::from(name), kind: MarkKind::HeatOn, by: None };
        self.sends(Incoming::Mark(mark));
        // What is published is not kept for whoever comes later.
        let beside = self.beside(name);
        for n in 0..300 {
            let celsius = 28.0 + f64::from(n) * 0.02 + f64::from(n % 3) * 0.01;
            if self.is_near(name) {
                self.broker_keeps_up(name, &beside);
            }
            let sent = self.reads(name, celsius);
            if self.calls(name) {
                return sent;
            }
        }
        panic!("{name} is not called");
    }

    /// Whether the call may come within the next few readings.
    fn is_near(&self, name: &str) -> bool {
        let shown = self.house.shown();
        let k = shown.view.kettles.iter().find(|k| &*k.kettle == name);
        let off_at = k.and_then(|k| k.forecast.as_ref()?.heat_off_at);
        off_at.is_some_and(|at| at - shown.wall_ns < 20_000_000_000)
    }

    /// Who listens to a kettle's readings at the broker.
    fn beside(&self, name: &str) -> Hand {
        Hand::new(self.broker.port, &format!("beside-{name}"), None, &readings_of(name))
    }

    /// Waits until the broker has what is published every second: hours that
    /// pass in seconds heap up there what no day does.
    fn broker_keeps_up(&self, name: &str, beside: &Hand) {
        let now = rfc3339(self.house.shown().wall_ns);
        let last = || beside.heard(&readings_of(name)).pop();
        let is_there = || last().is_some_and(|h| h.1.contains(&now));
        assert!(wait_for(SOON, is_there), "the broker has no reading of {now}: {:?}", last());
    }

    /// Waits until all outlets have it; how long each took.
    fn reach(&mut self, name: &str, sent: Instant) -> [Duration; 5] {
        let mut took = [None; 5];
        let end = Instant::now() + SOON;
        while took.iter().any(Option::is_none) {
            assert!(Instant::now() < end, "{name}: {:?}", OUTLETS.iter().zip(took).collect::<Vec<_>>());
            self.pty.hear();
            if self.pty.heard.iter().any(|f| matches!(f, Frame::Sound { sound: Sound::Now, .. })) {
                took[0].get_or_insert(sent.elapsed());
            }
            let published = self.hand.heard(&format!("curdtrace/{name}/alarm"));
            if published.iter().any(|h| h.1.contains("\"unacknowledged\"")) {
                took[1].get_or_insert(sent.elapsed());
            }
            for (outlet, kettle, at) in self.heard.try_iter() {
                if kettle == name {
                    took[outlet].get_or_insert(at.saturating_duration_since(sent));
                }
            }
            std::thread::sleep(Duration::from_micros(300));
        }
        took.map(Option::unwrap)
    }

    /// A person's mark or command, not waited for: the disk may stand still.
    fn sends(&self, what: Incoming) {
        let commands = self.house.feed.commands.clone();
        let kept = async move {
            match what {
                Incoming::Mark(mark) => commands.mark(mark).await,
                Incoming::Command(command) => commands.command(command).await,
                _ => Ok(()),
            }
        };
        let _ = self.runtime.block_on(async { tokio::time::timeout(Duration::from_millis(20), kept).await });
    }

    /// Taken, so that the next call is a new one.
    fn take(&mut self, name: &str) {
        let ask = Ask::Acknowledge(Some(AlarmKind::HeatOff));
        self.sends(Incoming::Command(Commanded { kettle: Name::from(name), ask, by: None }));
        assert!(wait_for(SOON, || !self.calls(name)), "{name} is not taken");
        self.is_silent(&format!("{name} is taken"));
    }

    /// The box is told to be silent, so that its next sound is the next call's.
    fn is_silent(&mut self, after: &str) {
        let silent = |f: &Frame| matches!(f, Frame::Sound { sound: Sound::Silent, .. });
        let is_sound = |f: &&Frame| matches!(f, Frame::Sound { .. });
        let is_silent = |p: &Pty| p.heard.iter().rev().find(is_sound).is_some_and(silent);
        assert!(self.pty.hear_until(SOON, is_silent), "{after} and the box sounds");
    }

    /// From here on the disk ends no sync. That it hangs is told in some ten seconds,
    /// and sounds: it is taken before the calls that are measured.
    fn disk_stalls(&mut self) {
        self.disk.0.slow_ms.store(STALL_MS, Ordering::SeqCst);
        let end = Instant::now() + SOON;
        while !self.hang_is(AlarmState::Unacknowledged) {
            assert!(Instant::now() < end, "the disk that hangs is not told");
            self.reads(&kettle(0), 20.0);
            std::thread::sleep(Duration::from_millis(100));
        }
        let ask = Ask::Acknowledge(Some(AlarmKind::StoreFault));
        self.sends(Incoming::Command(Commanded { kettle: Name::from(""), ask, by: None }));
        let taken = || self.hang_is(AlarmState::Acknowledged);
        assert!(wait_for(SOON, taken), "the disk that hangs is not taken");
        self.is_silent("the disk that hangs is taken");
    }

    fn hang_is(&self, state: AlarmState) -> bool {
        let house = &self.house.shown().view.house;
        house.iter().any(|a| a.alarm == AlarmKind::StoreFault && a.state == state)
    }
}

/// No other alarm sounds, so that what is heard is the call.
const PLAN: &str = "name = \"Latency wheel\"\n[alarms]\nheat-off = \"sounds\"\nprobe-silent = \"off\"\nover-target = \"off\"\n[[stage]]\nkind = \"warming\"\nto-celsius = 32.0\n[[stage]]\nkind = \"setting\"\nminutes = 35\n";

fn setting(folder: &Path, pipe: &Path, broker: u16, http: u16, web: u16) -> String {
    let mut text = format!(
        "[dairy]\ndata = \"data\"\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n\
         [[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {broker}\nclient-id = \"curdtrace-latency\"\npublish-under = \"curdtrace\"\n\
         [web]\nlisten = \"127.0.0.1:{web}\"\n\
         [[outlet]]\nname = \"house\"\nurl = \"http://127.0.0.1:{http}/say\"\nbody = \"{{kettle}}\"\ncontent-type = \"text/plain\"\nonly = [\"heat-off\"]\nrepeat-s = 0\n\
         [[outlet]]\nname = \"horn\"\ncommand = [\"/bin/sh\", \"-c\", \"echo $CURDTRACE_KETTLE >> {}\"]\nonly = [\"heat-off\"]\nrepeat-s = 0\n\
         [limits]\nprobes = 256\n",
        folder.join("box").display(),
        pipe.display()
    );
    for n in 0..2 * CALLS {
        let k = kettle(n);
        // Writing to a string cannot fail.
        let _ = write!(
            text,
            "[[kettle]]\nname = \"{k}\"\nplan = \"plan.toml\"\n[[probe]]\nname = \"{k}\"\nkettle = \"{k}\"\n"
        );
    }
    text
}

fn printed(disk: &str, outlet: &str, mut took: Vec<Duration>) -> Duration {
    took.sort();
    let at = |p: usize| took[(took.len() - 1) * p / 100];
    println!(
        "serial byte to {outlet}, {disk}: {} calls, median {:.1?}, p90 {:.1?}, worst {:.1?}",
        took.len(),
        at(50),
        at(90),
        at(100)
    );
    at(100)
}

#[test]
fn an_alarm_is_at_every_outlet_within_a_second_with_a_stalled_disk_too() {
    let mut scene = Scene::open();
    let mut worst = Duration::ZERO;
    for (disk, first, stalls) in [("disk well", 0, false), ("disk stalled", CALLS, true)] {
        if stalls {
            scene.disk_stalls();
        }
        let synced = scene.disk.0.synced.load(Ordering::SeqCst);
        let mut took: [Vec<Duration>; 5] = Default::default();
        for n in first..first + CALLS {
            let sent = scene.warms(&kettle(n));
            let reached = scene.reach(&kettle(n), sent);
            took.iter_mut().zip(reached).for_each(|(all, one)| all.push(one));
            scene.take(&kettle(n));
        }
        let still = scene.disk.0.synced.load(Ordering::SeqCst) == synced;
        assert_eq!(still, stalls, "the disk is not as the test wants it");
        for (outlet, took) in OUTLETS.iter().zip(took) {
            worst = worst.max(printed(disk, outlet, took));
        }
    }
    scene.disk.0.slow_ms.store(0, Ordering::SeqCst);
    scene.house.close().unwrap();
    assert!(worst < Duration::from_secs(1), "{worst:?}");
}
