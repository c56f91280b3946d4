//! A broker sends twenty messages that are not acknowledged, then waits: a disk
//! that takes nothing must not make its probes fall silent. Alarms keep working
//! when the disk does not, and nothing is acknowledged that is not kept.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::broker;
use support::house;
use support::moody_disk;

use std::collections::BTreeMap;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use broker::{Broker, Hand};
use curdtrace::daemon::Setup;
use curdtrace::daemon::clock::Clock;
use house::{House, config, journal, wait_for};
use moody_disk::{Moods, MoodyDisk};

const SOON: Duration = Duration::from_secs(20);

fn open(folder: &Path, port: u16, disk: &MoodyDisk) -> House {
    open_at(folder, port, disk, Clock::real())
}

fn open_at(folder: &Path, port: u16, disk: &MoodyDisk, clock: Clock) -> House {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n[[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {port}\n\
         client-id = \"curdtrace-test\"\n\
         [[mqtt.subscribe]]\ntopic = \"json/{{probe}}\"\npayload = \"json\"\nvalue-at = \"/value\"\nseq-at = \"/seq\"\n"
    );
    let mut setup = Setup::of(config(folder, &text), clock);
    setup.storage = Arc::new(disk.clone());
    House::with(setup)
}

/// When each was recorded to have been, by its counter.
fn times(folder: &Path) -> BTreeMap<u32, i64> {
    let seq = |l: &str| l.split("seq=").nth(1)?.split('u').next()?.parse().ok();
    let time = |l: &str| l.rsplit(' ').next()?.parse().ok();
    let lines = journal(&folder.join("data"));
    lines.iter().filter(|l| l.starts_with("temperature")).filter_map(|l| Some((seq(l)?, time(l)?))).collect()
}

/// A probe says a number fifty times a second while `mood` holds.
fn goes_on(mood: impl Fn(&Moods, bool)) {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let disk = MoodyDisk::default();
    let house = open(folder.path(), broker.port, &disk);
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    let mut sent = 0_u32;
    let mut say = || {
        sent += 1;
        hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
        std::thread::sleep(Duration::from_millis(20));
        sent
    };
    for _ in 0..5 {
        say();
    }
    assert!(wait_for(SOON, || house.shown().readings_kept == 5));
    mood(&disk.0, true);
    let before = house.taken();
    assert!(
        wait_for(SOON, || {
            say();
            house.taken() >= before + 100
        }),
        "{} of {} are heard",
        house.taken(),
        say()
    );
    assert!(house.shown().readings_kept <= 6, "what is not on disk is not said to be");
    // Of those said half a second ago, whatever is not here waits at the broker.
    let said_long_ago = say() - 25;
    let well_ns = Clock::real().now().wall_ns;
    mood(&disk.0, false);
    // Heard without, and held back by the broker: all of it is kept in the end.
    let last = say();
    assert!(
        wait_for(SOON, || times(folder.path()).len() == last as usize),
        "{:?}",
        times(folder.path()).keys()
    );
    house.close().unwrap();
    for (seq, time_ns) in times(folder.path()) {
        assert!(
            time_ns < well_ns || seq > said_long_ago,
            "{seq} was said before the disk was well, and is dated after"
        );
    }
}

#[test]
fn a_full_disk_keeps_no_reading_of_a_broker_from_the_engine() {
    goes_on(|disk, bad| disk.full.store(bad, Ordering::SeqCst));
}

#[test]
fn a_disk_that_hangs_keeps_no_reading_of_a_broker_from_the_engine() {
    goes_on(|disk, bad| disk.slow_ms.store(if bad { 600_000 } else { 0 }, Ordering::SeqCst));
}

/// Afloat while it lasts, and not for ever: what comes while the daemon is away
/// waits at the broker again.
#[test]
fn what_comes_while_the_daemon_is_away_waits_for_it_after_a_full_disk_too() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let disk = MoodyDisk::default();
    let house = open(folder.path(), broker.port, &disk);
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    disk.0.full.store(true, Ordering::SeqCst);
    let mut sent = 0_u32;
    let mut say = || {
        sent += 1;
        hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
        sent
    };
    // More than the broker sends without an answer: it is afloat.
    assert!(wait_for(SOON, || {
        say();
        std::thread::sleep(Duration::from_millis(20));
        house.taken() > 60
    }));
    disk.0.full.store(false, Ordering::SeqCst);
    house.close().unwrap();
    let last = (0..10).map(|_| say()).last().unwrap();
    assert!(wait_for(SOON, || hand.taken_over() == last as usize));
    let house = open(folder.path(), broker.port, &disk);
    assert!(wait_for(SOON, || times(folder.path()).contains_key(&last)), "{:?}", times(folder.path()).keys());
    house.close().unwrap();
    assert_eq!(times(folder.path()).len(), last as usize, "{:?}", times(folder.path()).keys());
}

/// What the broker had held back since before the clock was set was half a century old.
#[test]
fn what_waited_at_the_broker_is_as_old_as_it_is_where_the_clock_was_set_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let (disk, clock) = (MoodyDisk::default(), Clock::by_hand(100_000_000_000));
    let house = open_at(folder.path(), broker.port, &disk, clock.clone());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    disk.0.full.store(true, Ordering::SeqCst);
    let mut sent = 0_u32;
    let mut say = || {
        sent += 1;
        hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{sent}}}"));
        sent
    };
    // More than the broker sends without an answer: it holds the others back.
    while say() < 60 {}
    let afloat = || {
        clock.advance(Duration::from_millis(20));
        std::thread::sleep(Duration::from_millis(20));
        say() > 60 && house.taken() > 60
    };
    assert!(wait_for(SOON, afloat));
    clock.set_wall(1_784_001_780_000_000_000);
    let last = say();
    disk.0.full.store(false, Ordering::SeqCst);
    assert!(wait_for(SOON, || {
        clock.advance(Duration::from_millis(20));
        times(folder.path()).len() == last as usize
    }));
    house.close().unwrap();
    let lines = journal(&folder.path().join("data"));
    let late: Vec<_> = lines.iter().filter(|l| l.contains("late_s=")).collect();
    assert!(late.is_empty(), "{late:?}");
}

/// The next MQTT packet: its kind (1 is CONNECT, 4 PUBACK, 8 SUBSCRIBE, 12 PINGREQ) and its body.
fn packet(from: &mut TcpStream) -> (u8, Vec<u8>) {
    let mut byte = [0];
    from.read_exact(&mut byte).unwrap();
    let (kind, mut len, mut shift) = (byte[0], 0, 0);
    loop {
        from.read_exact(&mut byte).unwrap();
        len |= usize::from(byte[0] & 0x7F) << shift;
        shift += 7;
        if byte[0] < 0x80 {
            break;
        }
    }
    let mut body = vec![0; len];
    from.read_exact(&mut body).unwrap();
    (kind >> 4, body)
}

/// The last reading of a payload was refused, and that acknowledged the others at once.
#[test]
fn a_payload_with_a_probe_too_many_is_acknowledged_once_the_rest_of_it_is_on_disk() {
    let folder = tempfile::tempdir().unwrap();
    let door = TcpListener::bind("127.0.0.1:0").unwrap();
    let text = format!(
        "[dairy]\ndata = \"data\"\n[limits]\nprobes = 1\n[journal]\ngroup-seconds = 1.0\n\
         [[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {}\n\
         [[mqtt.subscribe]]\ntopic = \"r\"\npayload = \"line-protocol\"\n",
        door.local_addr().unwrap().port()
    );
    let house = House::open(config(folder.path(), &text), Clock::real());
    let (mut daemon, _) = door.accept().unwrap();
    daemon.set_read_timeout(Some(SOON)).unwrap();
    let publish = |daemon: &mut TcpStream, id: u8, payload: &str| {
        let body = [b"\x00\x01r\x00", &[id][..], payload.as_bytes()].concat();
        daemon.write_all(&[&[0x32, u8::try_from(body.len()).unwrap()], &body[..]].concat()).unwrap();
    };
    let on_disk = |celsius: &str| journal(&folder.path().join("data")).iter().any(|l| l.contains(celsius));
    let mut acknowledged = 0;
    while acknowledged < 2 {
        match packet(&mut daemon) {
            (1, _) => daemon.write_all(b"\x20\x02\x00\x00").unwrap(),
            (8, body) => {
                daemon.write_all(&[0x90, 3, body[0], body[1], 1]).unwrap();
                publish(&mut daemon, 1, "temperature,probe=a celsius=20.5");
            }
            (4, _) if acknowledged == 0 => {
                acknowledged = 1;
                assert!(on_disk("celsius=20.5"));
                publish(&mut daemon, 2, "temperature,probe=a celsius=21.5\ntemperature,probe=b celsius=5.5");
            }
            (4, _) => {
                acknowledged = 2;
                assert!(on_disk("celsius=21.5"), "acknowledged, and not on disk");
            }
            (12, _) => daemon.write_all(b"\xd0\x00").unwrap(),
            _ => {}
        }
    }
    house.close().unwrap();
}
