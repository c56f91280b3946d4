//! Alarms keep working when the disk does not: full, failing, slow. Nothing is
//! acknowledged that is not kept.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use support::house;
use support::made_day::segments;
use support::moody_disk;
use support::pty;

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use curdtrace::config::dairy::Config;
use curdtrace::daemon::Setup;
use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::outlet::News;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::Conclusion;
use curdtrace::engine::view::AlarmView;
use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Inbox, Opening, Request};
use curdtrace::wire::frame::{Frame, Lamp, Sound};
use house::{House, config, journal, wait_for};
use moody_disk::MoodyDisk;
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);

fn dairy(folder: &Path) -> Config {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n",
        folder.join("box").display()
    );
    config(folder, &text)
}

fn open(folder: &Path, disk: &MoodyDisk) -> House {
    let mut setup = Setup::of(dairy(folder), Clock::real());
    setup.storage = Arc::new(disk.clone());
    House::with(setup)
}

#[test]
fn a_full_disk_stops_acknowledging_calls_within_a_second_and_resumes() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &disk);
    let mut news = house.feed.news.subscribe();
    pty.keeps_first(30.0);
    disk.0.full.store(true, Ordering::SeqCst);
    let full = Instant::now();
    for n in 2..20 {
        pty.send_reading(n, "milk", 30.0 + f64::from(n) * 0.01, 0);
    }
    assert!(wait_for(SOON, || house.shown().store_trouble.is_some()));
    let told = full.elapsed();
    let mut called = false;
    assert!(wait_for(SOON, || {
        while let Ok(one) = news.try_recv() {
            if let News::Effect(e) = &*one
                && let Conclusion::Alarm(a) = &e.what
            {
                called |= a.alarm == AlarmKind::StoreFault;
            }
        }
        called
    }));
    let calls = |a: &AlarmView| {
        (a.alarm, a.state, a.sounds) == (AlarmKind::StoreFault, AlarmState::Unacknowledged, true)
    };
    assert!(house.shown().view.house.iter().any(calls), "page, outlets and buzzer see it");
    let cries = |p: &Pty| p.heard.contains(&Frame::Sound { sound: Sound::Fault, lamp: Lamp::Slow });
    assert!(pty.hear_until(SOON, cries), "the box calls it");
    println!("trouble told after {told:?}, called after {:?}", full.elapsed());
    assert!(told < Duration::from_secs(1), "{told:?}");
    // The engine lives on, and nothing is acknowledged.
    let taken = house.taken();
    pty.send_reading(20, "milk", 30.5, 0);
    assert!(wait_for(SOON, || house.taken() > taken));
    pty.hear();
    assert_eq!(pty.acked, [1]);
    disk.0.full.store(false, Ordering::SeqCst);
    let room = Instant::now();
    assert!(pty.hear_until(SOON, |p| p.acked.len() == 20), "{:?}", pty.acked);
    println!("all kept {:?} after there was room", room.elapsed());
    assert!(room.elapsed() < Duration::from_secs(5));
    assert!(wait_for(SOON, || house.shown().store_trouble.is_none()));
    house.close().unwrap();
    let kept = journal(&folder.path().join("data")).iter().filter(|l| l.starts_with("temperature")).count();
    assert_eq!(kept, 20, "nothing that came meanwhile is missing");
}

#[test]
fn a_disk_whose_syncs_fail_ends_the_daemon_for_the_supervisor() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &disk);
    pty.keeps_first(30.0);
    disk.0.sync_fails.store(true, Ordering::SeqCst);
    pty.send_reading(2, "milk", 30.1, 0);
    let why = house.ended(SOON).unwrap_err();
    assert!(why.to_string().contains("failed twice"), "{why}");
    pty.hear();
    assert_eq!(pty.acked, [1], "what is not synced is not acknowledged");
}

#[test]
fn a_slow_disk_holds_up_acknowledgements_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &disk);
    assert!(wait_for(SOON, || house.is_up("box")));
    disk.0.slow_ms.store(3000, Ordering::SeqCst);
    let began = Instant::now();
    for n in 0..30 {
        pty.send_reading(n, "milk", 30.0, 0);
        let wanted = u64::from(n) + 1;
        assert!(
            wait_for(Duration::from_millis(500), || house.taken() >= wanted),
            "the engine waits for the disk"
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    // The runner turns every second: what the watchdog looks at.
    let before = house.shown().wall_ns;
    assert!(wait_for(Duration::from_millis(1500), || house.shown().wall_ns > before));
    assert!(
        began.elapsed() < Duration::from_millis(2900),
        "the test itself is too slow: {:?}",
        began.elapsed()
    );
    pty.hear();
    assert!(pty.acked.is_empty());
    assert!(pty.hear_until(SOON, |p| p.acked.len() == 30));
    disk.0.slow_ms.store(0, Ordering::SeqCst);
    house.close().unwrap();
}

/// A disk that hangs gives no error: nobody was told that nothing is kept.
#[test]
fn a_disk_that_hangs_is_told_and_so_is_that_it_answers() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &disk);
    pty.keeps_first(30.0);
    disk.0.slow_ms.store(3_600_000, Ordering::SeqCst);
    pty.send_reading(2, "milk", 30.1, 0);
    let told = || house.shown().store_trouble.as_ref().is_some_and(|t| t.contains("does not answer"));
    assert!(wait_for(3 * SOON, told), "nobody hears that nothing is kept");
    let fault = || house.shown().view.house.iter().any(|a| a.alarm == AlarmKind::StoreFault && a.sounds);
    assert!(wait_for(SOON, fault));
    pty.hear();
    assert_eq!(pty.acked, [1]);
    disk.0.slow_ms.store(0, Ordering::SeqCst);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2]));
    assert!(wait_for(SOON, || house.shown().store_trouble.is_none()), "it returns by itself");
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let told: Vec<_> = lines.iter().filter(|l| l.contains("what=store")).collect();
    assert_eq!(told.len(), 2, "{told:?}");
}

/// What waited for a disk that hung was kept in memory without an end.
#[test]
fn a_disk_that_hangs_for_long_does_not_fill_the_memory() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let mut setup = Setup::of(dairy(folder.path()), Clock::real());
    setup.storage = Arc::new(disk.clone());
    setup.most_waiting = 20;
    let house = House::with(setup);
    pty.keeps_first(30.0);
    disk.0.slow_ms.store(3_600_000, Ordering::SeqCst);
    for n in 0..60_u32 {
        pty.send_reading(2 + n, "milk", 30.0 + 0.01 * f64::from(n), 0);
        assert!(wait_for(SOON, || house.taken() >= u64::from(n) + 2), "the engine goes on");
    }
    disk.0.slow_ms.store(0, Ordering::SeqCst);
    assert!(pty.hear_until(SOON, |p| p.acked.len() >= 15));
    let refused = house.taken() - pty.acked.len() as u64;
    assert!((30..50).contains(&refused), "{refused}");
    // What was not acknowledged is still the box's, and is taken when it comes again.
    let not: Vec<u32> = (1..=61).filter(|n| !pty.acked.contains(n)).collect();
    for some in not.chunks(10) {
        for n in some {
            pty.send_reading(*n, "milk", 30.0 + 0.01 * f64::from(n - 2), 0);
        }
        assert!(pty.hear_until(SOON, |p| some.iter().all(|n| p.acked.contains(n))), "{:?}", pty.acked);
    }
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let gaps: Vec<_> = lines.iter().filter(|l| l.contains("what=journal-gap")).collect();
    assert!(gaps.len() == 1 && gaps[0].contains(&format!("lost={refused}i")), "{gaps:?}");
    for n in 1..=61_u32 {
        let seq = format!("seq={n}u");
        assert_eq!(lines.iter().filter(|l| l.contains(&seq)).count(), 1, "{seq}");
    }
}

/// The segment's file went on taking in readings that were acknowledged, under
/// no name: all of them were lost.
#[test]
fn a_journal_that_is_taken_away_is_told_and_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &MoodyDisk::default());
    let mut news = house.feed.news.subscribe();
    pty.keeps_first(30.0);
    std::fs::remove_dir_all(folder.path().join("data/journal")).unwrap();
    pty.send_reading(2, "milk", 30.1, 0);
    pty.send_reading(3, "milk", 30.2, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2, 3]));
    let mut called = false;
    assert!(wait_for(SOON, || {
        while let Ok(one) = news.try_recv() {
            called |= matches!(&*one, News::Effect(e) if matches!(&e.what, Conclusion::Alarm(a) if a.alarm == AlarmKind::StoreFault));
        }
        called
    }));
    assert!(wait_for(SOON, || house.shown().store_trouble.is_none()), "it goes on by itself");
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let kept: Vec<_> = lines.iter().filter(|l| l.starts_with("temperature")).collect();
    assert_eq!(kept.len(), 2, "all that was acknowledged since: {kept:?}");
    assert!(lines.iter().any(|l| l.contains("was taken away")), "the record says that there is a hole");
}

/// A folder called as the newest segment ended every start.
#[test]
fn what_is_called_as_a_segment_and_is_none_is_put_aside() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = open(folder.path(), &MoodyDisk::default());
    pty.keeps_first(30.0);
    house.close().unwrap();
    let journal_dir = folder.path().join("data/journal");
    std::fs::create_dir(journal_dir.join("000098-2026-11-26.lp")).unwrap();
    let pipe = journal_dir.join("000099-2026-11-26.lp");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    let house = open(folder.path(), &MoodyDisk::default());
    pty.keeps(2, 30.1);
    house.close().unwrap();
    assert!(!pipe.exists() && journal_dir.join("quarantine/000098-2026-11-26.lp").is_dir());
    let lines = journal(&folder.path().join("data"));
    assert_eq!(lines.iter().filter(|l| l.starts_with("temperature")).count(), 2, "{lines:?}");
}

/// What is asked of a lot rests on all that was said before. With no room for that the
/// inbox was gone through all the same.
#[test]
fn a_command_waits_until_what_was_said_before_is_on_disk() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let mut config = dairy(folder.path());
    // Nothing is due by itself.
    config.journal.seconds = 600.0;
    let data = config.data.clone();
    let mut setup = Setup::of(config, Clock::real());
    setup.storage = Arc::new(disk.clone());
    let house = House::with(setup);
    assert!(wait_for(SOON, || house.is_up("box")));
    disk.0.journal_full.store(true, Ordering::SeqCst);
    pty.send_reading(1, "milk", 30.0, 0);
    assert!(wait_for(SOON, || house.taken() == 1));
    let inbox = Inbox::of(&Disk, &data).unwrap();
    let opening = Opening { kettle: "milk".into(), ..Opening::default() };
    let name = inbox.ask(&Request { at: At(5), by: None, ask: Ask::Open(opening) }, 7).unwrap();
    assert!(wait_for(SOON, || house.shown().store_trouble.is_some()));
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(inbox.take_answer(&name).unwrap(), None, "the reading before it is not on disk");
    disk.0.journal_full.store(false, Ordering::SeqCst);
    assert!(wait_for(SOON, || inbox.take_answer(&name).unwrap().is_some_and(|a| a.code == 0)));
    assert!(pty.hear_until(SOON, |p| p.acked == [1]), "and it was synced first");
    house.close().unwrap();
}

/// A day that is over, of one reading: its box.
fn kept_one(folder: &Path, disk: &MoodyDisk) -> Pty {
    let mut pty = Pty::plug(&folder.join("box"));
    let house = open(folder, disk);
    pty.keeps_first(30.0);
    house.close().unwrap();
    pty
}

/// A bad sector in the recent journal ended every start.
#[test]
fn a_bad_sector_in_the_newest_segment_keeps_no_daemon_from_starting() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = kept_one(folder.path(), &disk);
    let dir = folder.path().join("data/journal");
    let segment = || dir.join(segments(dir.parent().unwrap()).pop().unwrap());
    let (bad, before) = (segment(), std::fs::read(segment()).unwrap());
    *disk.0.bad_sectors.lock().unwrap() = Some((bad.clone(), 0..before.len() as u64));
    let house = open(folder.path(), &disk);
    pty.keeps(2, 30.1);
    house.close().unwrap();
    assert_ne!(segment(), bad, "what comes goes to another");
    assert_eq!(std::fs::read(&bad).unwrap(), before, "nothing is written to it");
    // Should the disk give it again, all that was kept is there.
    let lines = journal(&folder.path().join("data"));
    for seq in ["seq=1u", "seq=2u"] {
        assert_eq!(lines.iter().filter(|l| l.contains(seq)).count(), 1, "{seq}: {lines:?}");
    }
}

/// A disk that had become one to be read only ended every start, and with it every call.
#[test]
fn on_a_disk_that_can_only_be_read_it_starts_and_calls() {
    let folder = tempfile::tempdir().unwrap();
    let disk = MoodyDisk::default();
    let mut pty = kept_one(folder.path(), &disk);
    disk.0.read_only.store(true, Ordering::SeqCst);
    let house = open(folder.path(), &disk);
    let calls = || house.shown().view.house.iter().any(|a| a.alarm == AlarmKind::StoreFault && a.sounds);
    assert!(wait_for(SOON, calls), "nobody hears that nothing is kept");
    pty.send_reading(2, "milk", 30.1, 0);
    assert!(wait_for(SOON, || house.taken() == 1));
    pty.hear();
    assert_eq!(pty.acked, [1], "nothing is acknowledged that is not kept");
    disk.0.read_only.store(false, Ordering::SeqCst);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2]), "{:?}", pty.acked);
    assert!(wait_for(SOON, || house.shown().store_trouble.is_none()), "it goes on by itself");
    house.close().unwrap();
}

/// The page's own files hung with the disk: nobody was answered, no engine went on, and
/// the process could not end.
#[test]
fn a_disk_that_hangs_under_the_page_holds_up_neither_the_page_nor_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let at = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let text = format!("[dairy]\ndata = \"data\"\n[web]\nlisten = \"{at}\"\n");
    std::fs::write(folder.path().join("c.toml"), text).unwrap();
    let mut daemon = house::Process::run(folder.path());
    let ask = |method: &str, path: &str, body: &str| {
        let mut page = TcpStream::connect(at)?;
        page.set_read_timeout(Some(Duration::from_secs(3)))?;
        let head = "host: localhost\r\nconnection: close\r\ncontent-type: application/json";
        let length = body.len();
        write!(page, "{method} {path} HTTP/1.1\r\n{head}\r\ncontent-length: {length}\r\n\r\n{body}")?;
        let mut answer = String::new();
        page.read_to_string(&mut answer).map(|_| answer)
    };
    let is_well = || ask("GET", "/health", "").is_ok_and(|a| a.starts_with("HTTP/1.1 200"));
    assert!(wait_for(SOON, is_well));
    // Who opens a pipe to write into it waits for a reader, as for a disk.
    let secrets = folder.path().join("data/page");
    std::fs::create_dir_all(&secrets).unwrap();
    let pipe = secrets.join(format!("devices.{}.new", daemon.id()));
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    assert!(ask("PUT", "/api/v1/pin", r#"{"pin":"2580"}"#).is_err(), "it does not hang");
    let access = ask("GET", "/api/v1/access", "").unwrap();
    assert!(access.contains(r#""pin_set":false"#), "{access}");
    daemon.signal(rustix::process::Signal::TERM);
    let ended = wait_for(Duration::from_secs(9), || daemon.ended().is_some());
    assert_eq!((ended, daemon.ended()), (true, Some(0)), "the supervisor kills it after ten seconds");
}
