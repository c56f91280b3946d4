//! A real broker: readings in and acknowledged from disk, news out, restarts
//! survived.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::broker;
use support::house;

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::time::{Duration, Instant};

use broker::{Broker, Hand};
use curdtrace::config::dairy::Config;
use curdtrace::daemon::clock::Clock;
use house::{House, config, journal, wait_for};

const SOON: Duration = Duration::from_secs(10);

fn dairy(folder: &Path, port: u16, more: &str) -> Config {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.05\n[[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {port}\n\
         client-id = \"curdtrace-test\"\nkeep-alive-s = 5\npublish-under = \"curdtrace\"\n{more}\n\
         [[mqtt.subscribe]]\ntopic = \"dairy/{{probe}}/temperature\"\npayload = \"number\"\n\
         [[mqtt.subscribe]]\ntopic = \"json/{{probe}}\"\npayload = \"json\"\nvalue-at = \"/value\"\nunit-at = \"/unit\"\nseq-at = \"/seq\"\n\
         [[mqtt.subscribe]]\ntopic = \"lines\"\npayload = \"line-protocol\"\n"
    );
    config(folder, &text)
}

fn readings(data: &Path) -> Vec<String> {
    journal(data).into_iter().filter(|l| l.starts_with("temperature")).collect()
}

#[test]
fn payloads_of_every_kind_become_readings_and_news_go_out() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "curdtrace/#");
    let house = House::open(dairy(folder.path(), broker.port, ""), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    assert!(wait_for(SOON, || hand.heard("curdtrace/status").iter().any(|h| h.1 == "online")));
    std::thread::sleep(Duration::from_millis(200));
    hand.publish("dairy/big kettle/temperature", "34.5");
    hand.publish("dairy/small/temperature", "95 F");
    hand.publish("json/tank", "{\"value\":\"4.25\",\"unit\":\"C\",\"seq\":9}");
    hand.publish("lines", "temperature,probe=whey,kettle=big celsius=81.5,health=\"good\"");
    hand.publish("dairy/small/temperature", "warm");
    assert!(wait_for(SOON, || house.taken() == 4), "{}", house.taken());
    assert!(wait_for(SOON, || house.counted("broker", "refused") == 1), "what is no number is counted");
    // The latest reading goes out with its age, which grows where no other comes.
    let ages = || -> Vec<f64> {
        let heard = hand.heard("curdtrace/small/reading");
        heard
            .iter()
            .filter_map(|h| serde_json::from_str::<serde_json::Value>(&h.1).ok()?["age_s"].as_f64())
            .collect()
    };
    let grows = || ages().windows(2).any(|w| w[1] >= w[0] + 0.5);
    assert!(wait_for(SOON, grows), "{:?}: {:?}", ages(), hand.heard("curdtrace"));
    house.close().unwrap();
    assert!(wait_for(SOON, || hand.heard("curdtrace/status").last().is_some_and(|h| h.1 == "offline")));
    // Who asks later is told that nobody reads the probe, and no number of before.
    let late = Hand::new(broker.port, "late", None, "curdtrace/#");
    assert!(wait_for(SOON, || late.heard("curdtrace/status").iter().any(|h| h.2 && h.1 == "offline")));
    assert!(late.heard("curdtrace/small/reading").is_empty());
    let kept = readings(&folder.path().join("data"));
    for start in [
        "temperature,probe=big\\ kettle celsius=34.5 ",
        "temperature,probe=small celsius=35 ",
        "temperature,probe=tank celsius=4.25,seq=9u ",
        "temperature,kettle=big,probe=whey celsius=81.5",
    ] {
        assert!(kept.iter().any(|l| l.starts_with(start)), "no {start} in {kept:#?}");
    }
    assert_eq!(kept.len(), 4);
}

#[test]
fn a_broker_with_a_password_is_entered_with_the_credentials_file() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), Some("larch and pine"));
    let file = folder.path().join("mqtt.toml");
    std::fs::write(&file, "user = \"hut\"\npassword = \"larch and pine\"\n").unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
    let hand = Hand::new(broker.port, "hand", Some("larch and pine"), "curdtrace/#");
    let with = dairy(folder.path(), broker.port, "credentials = \"mqtt.toml\"");
    let house = House::open(with, Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    hand.publish("dairy/big/temperature", "34.5");
    assert!(wait_for(SOON, || house.taken() == 1));
    house.close().unwrap();
}

/// A retained message is of nobody knows when, and a payload's own time counts
/// only where it is set to and can be.
#[test]
fn no_old_reading_is_taken_for_one_of_now() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    hand.retain("dairy/big/temperature", "12.5");
    hand.retain("json/big", "{\"value\":12.5,\"seq\":1}");
    assert!(wait_for(SOON, || hand.taken_over() == 2));
    let mut config = dairy(folder.path(), broker.port, "");
    let lines = config.brokers[0].subscriptions.iter_mut().find(|s| s.topic.filter() == "lines");
    lines.unwrap().own_time = true;
    let house = House::open(config, Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(house.taken(), 0, "retained readings are left out");
    let now = Clock::real().now().wall_ns;
    let minute = 60_000_000_000;
    for (celsius, wall_ns) in [(31.0, now - minute), (32.0, now + 10 * minute)] {
        hand.publish("lines", &format!("temperature,probe=tank celsius={celsius} {wall_ns}"));
    }
    assert!(wait_for(SOON, || house.taken() == 2));
    house.close().unwrap();
    let kept = readings(&folder.path().join("data"));
    let time = |celsius: &str| -> i64 {
        let line = kept.iter().find(|l| l.contains(&format!("celsius={celsius} "))).unwrap();
        line.rsplit(' ').next().unwrap().parse().unwrap()
    };
    assert!((time("31") - (now - minute)).abs() < 1_000_000, "its own time, a minute ago");
    assert!((time("32") - now).abs() < minute, "a time that is still to come is not believed");
}

/// A name that line protocol cannot carry was recorded, acknowledged, and could
/// not be read again; one that is a path led out of its folder.
#[test]
fn a_name_that_no_record_can_carry_is_refused_at_the_door() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let house = House::open(dairy(folder.path(), broker.port, ""), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    hand.publish("dairy/back\\/temperature", "34.5");
    hand.publish("dairy/back\\,slash/temperature", "34.5");
    hand.publish("lines", "temperature,probe=tank,kettle=../lots/L1/lot celsius=34.5");
    assert!(wait_for(SOON, || house.counted("broker", "refused") == 3));
    hand.publish("dairy/left, big/temperature", "34.5");
    assert!(wait_for(SOON, || house.taken() == 1));
    house.close().unwrap();
    let kept = readings(&folder.path().join("data"));
    assert_eq!(kept.len(), 1, "{kept:#?}");
    assert!(kept[0].starts_with("temperature,probe=left\\,\\ big celsius=34.5 "), "{}", kept[0]);
}

/// A broker that comes and goes, at the size of a pull request: the session is
/// kept, so that not one reading published with QoS 1 may be lost.
#[test]
fn a_broker_that_restarts_loses_no_reading() {
    let folder = tempfile::tempdir().unwrap();
    let mut broker = Broker::start(folder.path(), None);
    let house = House::open(dairy(folder.path(), broker.port, ""), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    let mut sent = 0_u32;
    let mut longest_back = Duration::ZERO;
    let rounds = std::env::var("CURDTRACE_RESTARTS").ok().and_then(|n| n.parse().ok()).unwrap_or(5);
    for round in 0..rounds {
        let hand = Hand::new(broker.port, &format!("hand{round}"), None, "nothing");
        for _ in 0..100 {
            sent += 1;
            hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
        }
        // Publishing goes on until the broker has taken over all; some of it is
        // then on its way to us while the broker goes.
        assert!(wait_for(SOON, || hand.taken_over() == 100));
        broker.down();
        std::thread::sleep(Duration::from_millis(100 * (round % 5)));
        broker.up();
        let back = Instant::now();
        assert!(wait_for(SOON, || house.is_up("broker")));
        longest_back = longest_back.max(back.elapsed());
    }
    let data = folder.path().join("data");
    let seqs = || -> BTreeSet<u32> {
        readings(&data)
            .iter()
            .filter_map(|l| l.split("seq=").nth(1)?.split('u').next()?.parse().ok())
            .collect()
    };
    let all = wait_for(SOON, || seqs().len() == sent as usize);
    println!("{sent} sent, {} taken, back after at most {longest_back:?}", house.taken());
    assert!(all, "{} of {sent} are on disk", seqs().len());
    assert!(longest_back < Duration::from_secs(5));
    let again = house.counted("broker", "again");
    assert!(house.taken() < u64::from(sent) + 100, "taken in twice too often; {again} were known again");
    house.close().unwrap();
}

#[test]
fn a_broker_that_is_down_is_asked_at_most_twice_a_second() {
    // The client alone returns some 63,000 errors a second then, by our own
    // measurement.
    let folder = tempfile::tempdir().unwrap();
    let door = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = door.local_addr().unwrap().port();
    door.set_nonblocking(true).unwrap();
    let house = House::open(dairy(folder.path(), port, ""), Clock::real());
    let (mut knocks, began) = (0, Instant::now());
    while began.elapsed() < Duration::from_secs(4) {
        if let Ok((caller, _)) = door.accept() {
            knocks += 1;
            drop(caller);
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!((1..=8).contains(&knocks), "{knocks} connections in 4 s");
    house.close().unwrap();
}

/// Killed while messages are on their way, started again: the broker sends
/// what was not acknowledged, and nothing that was acknowledged is missing.
#[test]
fn what_was_not_acknowledged_comes_again_after_a_restart_of_ours() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let _ = dairy(folder.path(), broker.port, "");
    let data = folder.path().join("data");
    let mut sent = 0_u32;
    for _ in 0..4 {
        let process = house::Process::run(folder.path());
        for _ in 0..150 {
            sent += 1;
            hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
            std::thread::sleep(Duration::from_millis(3));
        }
        process.kill();
    }
    let process = house::Process::run(folder.path());
    // One more: once it is on disk, this last daemon is known to be up.
    sent += 1;
    hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
    let seqs = || -> BTreeSet<u32> {
        readings(&data)
            .iter()
            .filter_map(|l| l.split("seq=").nth(1)?.split('u').next()?.parse().ok())
            .collect()
    };
    // The very first ones were published before the session was there.
    let first = || seqs().first().copied().unwrap_or(u32::MAX);
    let whole = wait_for(SOON, || seqs().len() as u32 == (sent + 1).saturating_sub(first()));
    let (code, said, _) = process.terminate();
    assert!(whole, "{} of {sent} from {} on are on disk; {said}", seqs().len(), first());
    assert!(first() <= 150, "{}", first());
    assert_eq!(code, Some(0), "{said}");
}

/// `probe calibrate` over the broker: beside a running daemon, which is not
/// thrown off and hears all the same; not by what was retained.
#[test]
fn a_probe_is_calibrated_over_the_broker_beside_the_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "curdtrace/#");
    hand.retain("dairy/big/temperature", "50.0");
    let house = House::open(dairy(folder.path(), broker.port, ""), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    let calibrate = |more: &[&str]| {
        std::process::Command::new(env!("CARGO_BIN_EXE_curdtrace"))
            .args(["probe", "calibrate", "--config", "c.toml", "--by", "ada", "--yes", "--ice"])
            .args(more)
            .current_dir(folder.path())
            .stdin(std::process::Stdio::null())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap()
    };
    let mut child = calibrate(&["big", "--settle-s", "3"]);
    let mut sent = 0u64;
    while child.try_wait().unwrap().is_none() && sent < 200 {
        hand.publish("dairy/big/temperature", if sent.is_multiple_of(2) { "0.40" } else { "0.42" });
        sent += 1;
        std::thread::sleep(Duration::from_millis(100));
    }
    let out = child.wait_with_output().unwrap();
    let said = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(0), "{said}");
    let record = curdtrace::daemon::calibrations::of(&folder.path().join("data"), "big").latest.unwrap();
    assert!((record.points[0].as_found_celsius - 0.41).abs() < 0.011, "{record:?}");
    assert!(wait_for(SOON, || house.taken() == sent), "the daemon heard {} of {sent}", house.taken());
    assert!(house.is_up("broker"));
    assert!(!hand.heard("curdtrace/status").iter().any(|h| h.1 == "offline"), "thrown off");
    house.close().unwrap();
}

/// A broker that was never reached was told nowhere: neither a wrong password nor a
/// wrong port.
#[test]
fn a_broker_that_lets_nobody_in_is_told_once_with_why_and_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), Some("larch and pine"));
    let file = folder.path().join("mqtt.toml");
    std::fs::write(&file, "user = \"hut\"\npassword = \"spruce\"\n").unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
    let nobody = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    for (port, why) in [(broker.port, "refused by the broker"), (nobody, "no connection to")] {
        let _ = dairy(folder.path(), port, "credentials = \"mqtt.toml\"");
        let process = house::Process::run(folder.path());
        std::thread::sleep(Duration::from_secs(4));
        let (_, said, _) = process.terminate();
        let told: Vec<&str> = said.lines().filter(|l| l.contains(why)).collect();
        assert_eq!(told.len(), 1, "{why}: {said}");
        assert!(told[0].contains(&format!("127.0.0.1:{port}")) && told[0].contains(';'), "{said}");
        let read = std::process::Command::new(env!("CARGO_BIN_EXE_curdtrace"))
            .args(["probe", "read", "big", "--config", "c.toml", "--patience-s", "2"])
            .current_dir(folder.path())
            .output()
            .unwrap();
        let said = String::from_utf8(read.stderr).unwrap();
        assert_eq!(read.status.code(), Some(69), "{said}");
        assert!(said.contains(why), "{said}");
    }
}

/// Numbers that the broker kept while nobody was there were recorded and shown as of
/// the moment they came.
#[test]
fn what_the_broker_kept_is_no_number_of_now() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let open = || House::open(dairy(folder.path(), broker.port, ""), Clock::real());
    let house = open();
    assert!(wait_for(SOON, || house.is_up("broker")));
    // Nobody was away yet: what comes is of now, soon.
    std::thread::sleep(Duration::from_millis(200));
    hand.publish("dairy/big/temperature", "34.5");
    assert!(wait_for(SOON, || house.taken() == 1));
    house.close().unwrap();
    for _ in 0..45 {
        hand.publish("dairy/big/temperature", "38.5");
    }
    assert!(wait_for(SOON, || hand.taken_over() == 46));
    let house = open();
    assert!(wait_for(SOON, || house.taken() == 45), "{}", house.taken());
    let shown = |house: &House| {
        let shown = house.shown();
        shown.view.kettles.iter().find(|k| &*k.kettle == "big").and_then(|k| k.celsius)
    };
    assert!(shown(&house).is_none_or(|c| c < 35.0), "{:?}", shown(&house));
    // The box is there, and speaks on.
    std::thread::sleep(Duration::from_millis(1500));
    for _ in 0..6 {
        std::thread::sleep(Duration::from_millis(800));
        hand.publish("dairy/big/temperature", "33.5");
    }
    assert!(wait_for(SOON, || house.taken() == 51), "{}", house.taken());
    assert!(wait_for(SOON, || shown(&house).is_some_and(|c| (c - 33.5).abs() < 0.6)), "{:?}", shown(&house));
    house.close().unwrap();
    let kept = readings(&folder.path().join("data"));
    let unsure = |l: &&String| l.contains("health=\"check-function\",reason=\"kept by the broker");
    assert_eq!(kept.iter().filter(|l| l.contains("celsius=38.5,")).filter(unsure).count(), 45, "{kept:#?}");
    assert_eq!((kept.len(), kept.iter().filter(unsure).count()), (52, 45), "{kept:#?}");
}
