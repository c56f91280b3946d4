//! A box on a serial port: clipped on while the daemon runs, acknowledged when
//! its readings are on disk, unplugged and plugged again with nobody's help.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::house;
use support::pty;

use std::path::Path;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::engine::probe::Health;
use curdtrace::wire::frame::{Frame, Hello, Sound, encode};
use house::{House, config, journal, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(5);

fn frames(folder: &Path) -> curdtrace::config::dairy::Config {
    let port = folder.join("box").display().to_string();
    config(
        folder,
        &format!(
            "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[kettle]]\nname = \"big\"\n[[probe]]\nname = \"milk\"\nkettle = \"big\"\n\
             [[serial]]\nname = \"box\"\nport = \"{port}\"\nformat = \"frames\"\nprobes = {{ \"0\" = \"milk\" }}\n\
             kettle = \"big\"\nbuttons = {{ \"1\" = \"rennet\" }}\n"
        ),
    )
}

#[test]
fn a_box_plugged_in_while_the_daemon_runs_is_read_and_acknowledged_from_disk() {
    let folder = tempfile::tempdir().unwrap();
    let house = House::open(frames(folder.path()), Clock::real());
    std::thread::sleep(Duration::from_millis(300));
    let mut pty = Pty::plug(&folder.path().join("box"));
    assert!(wait_for(SOON, || house.is_up("box")), "the port is opened when it comes");
    pty.send(&encode(&Frame::Hello(Hello { seq: 7, name: "b1".into(), firmware: "1.0".into(), up_s: 1 })));
    for n in 0..10 {
        pty.send_reading(7 + n, "0", 34.0 + f64::from(n) * 0.01, 0);
    }
    assert!(pty.hear_until(SOON, |p| p.acked.len() == 10), "{:?}", pty.acked);
    assert_eq!(pty.acked, (7..17).collect::<Vec<u32>>());
    // What is acknowledged is on disk now, whatever happens next.
    let kept: Vec<String> =
        journal(&folder.path().join("data")).into_iter().filter(|l| l.starts_with("temperature")).collect();
    assert_eq!(kept.len(), 10, "{kept:#?}");
    assert!(kept[0].starts_with("temperature,kettle=big,probe=milk celsius=34,cold_junction=21.5,seq=7u"));
    // The box hears that somebody is there.
    assert!(pty.hear_until(SOON, |p| {
        p.heard.iter().any(|f| matches!(f, Frame::KeepAlive { within_s } if *within_s > 0))
    }));
    house.close().unwrap();
    assert!(
        pty.hear_until(SOON, |p| p.heard.contains(&Frame::KeepAlive { within_s: 0 })),
        "a daemon that ends on purpose disarms the box"
    );
}

#[test]
fn a_frame_sent_again_is_kept_once_and_acknowledged_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send_reading(1, "0", 34.0, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1]));
    // The acknowledgement was lost; the box sends again, older now.
    pty.send_reading(1, "0", 34.0, 1500);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 1]));
    // A gap of three, and noise on the line.
    pty.send(b"\x00\xff$1R,5,garbage*0000\n");
    pty.send_reading(5, "0", 34.1, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 1, 5]));
    assert!(wait_for(SOON, || house.counted("box", "missing") == 3));
    assert_eq!(house.counted("box", "again"), 1);
    assert!(house.counted("box", "refused") >= 1);
    // The box began anew and its hello was lost: a fresh frame under an old
    // counter is a new reading.
    pty.send_reading(1, "0", 35.0, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 1, 5, 1]));
    house.close().unwrap();
    let celsius: Vec<String> = journal(&folder.path().join("data"))
        .iter()
        .filter(|l| l.starts_with("temperature"))
        .map(|l| l.split("celsius=").nth(1).unwrap().split(',').next().unwrap().to_string())
        .collect();
    assert_eq!(celsius, ["34", "34.1", "35"]);
}

/// A hello answers the daemon's first keep-alive too: it forgot what was heard,
/// so that a frame sent again was recorded twice. And an aged frame of a box that
/// began anew, its hello lost, was taken for the old one, acknowledged and lost.
#[test]
fn a_hello_is_no_restart_and_another_moment_is_another_frame() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    let hello =
        |seq, up_s| encode(&Frame::Hello(Hello { seq, name: "b1".into(), firmware: "1.0".into(), up_s }));
    pty.send(&hello(5, 499));
    pty.send_reading(5, "0", 34.0, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [5]));
    pty.send(&hello(6, 500));
    pty.send_reading(5, "0", 34.0, 1000);
    assert!(pty.hear_until(SOON, |p| p.acked == [5, 5]));
    // Measured a minute before the first one was: it cannot be that one.
    pty.send_reading(5, "0", 35.0, 60_000);
    assert!(pty.hear_until(SOON, |p| p.acked == [5, 5, 5]));
    house.close().unwrap();
    let kept = journal(&folder.path().join("data"));
    let count = |celsius: &str| kept.iter().filter(|l| l.contains(&format!("celsius={celsius},"))).count();
    assert_eq!((count("34"), count("35")), (1, 1), "{kept:#?}");
}

/// A button that has no meaning here was never acknowledged: a box with memory
/// sent it for ever.
#[test]
fn a_button_without_a_meaning_is_acknowledged_and_marks_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send(&encode(&Frame::Button { seq: 1, button: 9, age_ms: 0 }));
    pty.send(&encode(&Frame::Button { seq: 1, button: 9, age_ms: 0 }));
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 1]), "{:?}", pty.acked);
    house.close().unwrap();
    assert!(!journal(&folder.path().join("data")).iter().any(|l| l.starts_with("mark")));
}

#[test]
fn a_button_on_the_box_is_a_mark_on_disk_and_chirps() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send(&encode(&Frame::Button { seq: 1, button: 1, age_ms: 0 }));
    let chirps = |p: &Pty| p.heard.iter().any(|f| matches!(f, Frame::Sound { sound: Sound::Chirp, .. }));
    assert!(pty.hear_until(SOON, |p| p.acked == [1] && chirps(p)));
    house.close().unwrap();
    let marks: Vec<String> =
        journal(&folder.path().join("data")).into_iter().filter(|l| l.starts_with("mark")).collect();
    assert_eq!(marks.len(), 1);
    assert!(marks[0].starts_with("mark,kettle=big name=\"rennet\",by=\"box\""), "{}", marks[0]);
}

/// A button pressed while the daemon was down was marked as of its start, and one that
/// was on disk already was marked twice.
#[test]
fn a_button_that_comes_again_is_one_mark_as_of_its_press() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let framed = |inner: &str| {
        let sum = curdtrace::wire::frame::CRC.checksum(inner.as_bytes());
        format!("${inner}*{sum:04X}\n").into_bytes()
    };
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send(&framed("1B,1,1"));
    assert!(pty.hear_until(SOON, |p| p.acked == [1]));
    house.close().unwrap();
    // Its acknowledgement was lost on the way.
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send(&framed("1B,1,1,1500"));
    pty.send(&framed("1B,2,1,78000"));
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 1, 2]), "{:?}", pty.acked);
    house.close().unwrap();
    let now_ns = Clock::real().now().wall_ns;
    let marks: Vec<i64> = journal(&folder.path().join("data"))
        .iter()
        .filter(|l| l.starts_with("mark,"))
        .map(|l| (now_ns - l.rsplit(' ').next().unwrap().parse::<i64>().unwrap()) / 1_000_000_000)
        .collect();
    assert!(marks.len() == 2 && marks[0] < 10 && (78..90).contains(&marks[1]), "{marks:?} s ago");
}

#[test]
fn simple_boxes_are_read_in_their_own_words() {
    let check = |format: &str, sent: &str, expected: &[&str]| {
        let folder = tempfile::tempdir().unwrap();
        let port = folder.path().join("simple").display().to_string();
        let text = format!(
            "[dairy]\ndata = \"data\"\n[[serial]]\nname = \"simple\"\nport = \"{port}\"\nbaud = 9600\nprobe = \"tank\"\n{format}\n"
        );
        let mut pty = Pty::plug(&folder.path().join("simple"));
        let house = House::open(config(folder.path(), &text), Clock::real());
        assert!(wait_for(SOON, || house.is_up("simple")));
        // Half a line first: we may have come in the middle of a number.
        pty.send(b"4.5\n");
        pty.send(sent.as_bytes());
        let ended = wait_for(SOON, || house.taken() == expected.len() as u64);
        let _ = house.close();
        let kept: Vec<String> = journal(&folder.path().join("data"))
            .into_iter()
            .filter(|l| l.starts_with("temperature"))
            .collect();
        assert!(ended, "{format}: {kept:#?}");
        for (line, start) in kept.iter().zip(expected) {
            assert!(line.starts_with(start), "{format}: {line} does not begin with {start}");
        }
    };
    check(
        "format = \"number\"",
        "34.5\r\n34.75\r\n",
        &["temperature,probe=tank celsius=34.5 ", "temperature,probe=tank celsius=34.75 "],
    );
    check(
        "format = \"number\"\nunit = \"F\"",
        "95\nnan\n",
        &["temperature,probe=tank celsius=35 ", "temperature,probe=tank health=\"failure\""],
    );
    check(
        "format = \"json\"\nvalue-at = \"/t\"\nseq-at = \"/n\"",
        "{\"t\":34.5,\"n\":17}\n",
        &["temperature,probe=tank celsius=34.5,seq=17u "],
    );
    check(
        "format = \"line-protocol\"",
        "temperature,probe=other,kettle=big celsius=51.5\n",
        &["temperature,kettle=big,probe=other celsius=51.5 "],
    );
}

/// What waited in the port since nobody knows when was recorded as of now.
#[test]
fn what_waited_before_the_port_was_opened_is_no_reading_of_now() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("box");
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[serial]]\nname = \"box\"\nport = \"{}\"\n\
         format = \"number\"\nprobe = \"milk\"\n",
        port.display()
    );
    let mut pty = Pty::plug(&port);
    for n in 0..40 {
        pty.send(format!("{n}.5\n").as_bytes());
    }
    let house = House::open(config(folder.path(), &text), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    // The first line may have begun before.
    pty.send(b"77.5\n34.5\n34.6\n");
    assert!(wait_for(SOON, || house.taken() == 2));
    house.close().unwrap();
    let kept = journal(&folder.path().join("data"));
    let celsius: Vec<&str> =
        kept.iter().filter_map(|l| l.split("celsius=").nth(1)?.split(' ').next()).collect();
    assert_eq!(celsius, ["34.5", "34.6"], "{kept:#?}");
}

/// Fresh frames that waited since nobody knows when were recorded as of now.
#[test]
fn frames_that_waited_before_the_port_was_opened_are_taken_when_they_come_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    (1..=5).for_each(|seq| pty.send_reading(seq, "0", 38.5, 0));
    let house = House::open(frames(folder.path()), Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(house.taken(), 0, "their age is not known");
    (1..=5).for_each(|seq| pty.send_reading(seq, "0", 38.5, 60_000));
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2, 3, 4, 5]), "{:?}", pty.acked);
    house.close().unwrap();
    let minute_ago = Clock::real().now().wall_ns - 55_000_000_000;
    let kept = journal(&folder.path().join("data"));
    let time = |l: &String| l.rsplit(' ').next().unwrap().parse::<i64>().unwrap();
    let of_then = |l: &&String| l.contains("celsius=38.5,") && time(l) < minute_ago;
    assert_eq!(kept.iter().filter(of_then).count(), 5, "{kept:#?}");
}

#[test]
fn a_line_that_falls_silent_is_noticed_and_opened_anew() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = frames(folder.path());
    config.serial[0].stall_s = 1.0;
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::open(config, Clock::real());
    assert!(wait_for(SOON, || house.is_up("box")));
    pty.send_reading(1, "0", 34.0, 0);
    assert!(wait_for(SOON, || house.counted("box", "stalls") >= 1), "nothing came for a second");
    assert!(wait_for(SOON, || house.is_up("box")), "and the port is open again");
    pty.send_reading(2, "0", 34.1, 0);
    assert!(pty.hear_until(SOON, |p| p.acked == [1, 2]), "{:?}", pty.acked);
    house.close().unwrap();
}

/// Each of two probes seemed to lose every second reading: the counter is the box's.
#[test]
fn two_probes_on_one_box_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(1_752_465_929_000_000_000);
    let house = House::open(frames(folder.path()), clock.clone());
    let goes_on = |done: &dyn Fn() -> bool| {
        wait_for(SOON, || {
            clock.advance(Duration::from_millis(10));
            done()
        })
    };
    assert!(goes_on(&|| house.is_up("box")));
    for seq in 0..240 {
        clock.advance(Duration::from_millis(500));
        let wobble = if seq % 4 < 2 { 0.06 } else { -0.06 };
        pty.send_reading(seq, ["0", "whey"][seq as usize % 2], 34.0 + wobble, 0);
        assert!(wait_for(SOON, || house.taken() > u64::from(seq)));
    }
    let heard = || house.shown().view.kettles.iter().filter(|k| k.age_s.is_some_and(|s| s < 5.0)).count();
    assert!(goes_on(&|| heard() == 2));
    for k in &house.shown().view.kettles {
        assert_eq!((k.health, k.reason.as_str()), (Health::Good, ""), "{}", k.kettle);
    }
    house.close().unwrap();
}
