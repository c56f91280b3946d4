//! The line to a broker that goes mute, is reset, or comes back without its memory: the
//! daemon finds its way back by itself, and no reading that a broker keeps is lost.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::broker;
use support::house;

use std::collections::BTreeSet;
use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use broker::{Broker, Hand};
use curdtrace::daemon::clock::Clock;
use house::{House, config, journal, wait_for};

const SOON: Duration = Duration::from_secs(30);

/// A line between the daemon and its broker, whose connections can be silenced or cut.
struct Line {
    port: u16,
    /// Connections so far.
    opened: Arc<AtomicUsize>,
    /// Those before this one carry nothing any more and stay open.
    mute: Arc<AtomicUsize>,
    /// Those before this one are reset.
    cut: Arc<AtomicUsize>,
}

impl Line {
    fn to(broker: u16) -> Self {
        let door = TcpListener::bind("127.0.0.1:0").unwrap();
        let line = Self {
            port: door.local_addr().unwrap().port(),
            opened: Arc::default(),
            mute: Arc::default(),
            cut: Arc::default(),
        };
        let (opened, mute, cut) = (line.opened.clone(), line.mute.clone(), line.cut.clone());
        std::thread::spawn(move || {
            for here in door.incoming().flatten() {
                let number = opened.fetch_add(1, Ordering::SeqCst);
                let Ok(there) = TcpStream::connect(("127.0.0.1", broker)) else { continue };
                for (from, to) in [(&here, &there), (&there, &here)] {
                    let (from, to) = (from.try_clone().unwrap(), to.try_clone().unwrap());
                    let (mute, cut) = (mute.clone(), cut.clone());
                    let is = move |limit: &AtomicUsize| number < limit.load(Ordering::SeqCst);
                    std::thread::spawn(move || carry(from, to, || is(&mute), || is(&cut)));
                }
            }
        });
        line
    }

    fn all(&self, of: &AtomicUsize) {
        of.store(self.opened.load(Ordering::SeqCst), Ordering::SeqCst);
    }
}

/// Carries bytes one way until the connection ends or is cut.
fn carry(mut from: TcpStream, mut to: TcpStream, mute: impl Fn() -> bool, cut: impl Fn() -> bool) {
    from.set_read_timeout(Some(Duration::from_millis(10))).unwrap();
    let mut bytes = [0; 4096];
    while !cut() {
        match from.read(&mut bytes) {
            Ok(0) => break,
            Ok(n) if !mute() && to.write_all(&bytes[..n]).is_err() => break,
            Ok(_) => {}
            Err(e) if matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => break,
        }
    }
    if cut() {
        // What is not sent yet goes, and the other end is told that the line broke.
        let _ = rustix::net::sockopt::set_socket_linger(&from, Some(Duration::ZERO));
    }
    let _ = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

fn open(folder: &Path, port: u16, kept: bool) -> House {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.05\n[[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {port}\n\
         client-id = \"curdtrace-test\"\nkeep-alive-s = 5\nsession-kept = {kept}\n\
         [[mqtt.subscribe]]\ntopic = \"json/{{probe}}\"\npayload = \"json\"\nvalue-at = \"/value\"\nseq-at = \"/seq\"\n"
    );
    let house = House::open(config(folder, &text), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    std::thread::sleep(Duration::from_millis(200));
    house
}

fn say(hand: &Hand, seqs: std::ops::Range<u32>) {
    for seq in seqs {
        hand.publish("json/big", &format!("{{\"value\":34.5,\"seq\":{seq}}}"));
    }
}

fn on_disk(folder: &Path) -> BTreeSet<u32> {
    let seq = |l: &String| l.split("seq=").nth(1)?.split('u').next()?.parse().ok();
    journal(&folder.join("data")).iter().filter(|l| l.starts_with("temperature")).filter_map(seq).collect()
}

/// A router that died, a cable that hangs by a thread: nothing comes, and nothing says so.
#[test]
fn a_broker_that_falls_silent_is_left_for_a_new_line_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let line = Line::to(broker.port);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let house = open(folder.path(), line.port, true);
    say(&hand, 0..10);
    assert!(wait_for(SOON, || on_disk(folder.path()).len() == 10));
    line.all(&line.mute);
    say(&hand, 10..20);
    let all = wait_for(SOON, || on_disk(folder.path()) == (0..20).collect());
    assert!(all, "{:?}", on_disk(folder.path()));
    assert!(line.opened.load(Ordering::SeqCst) >= 2);
    house.close().unwrap();
}

#[test]
fn a_line_that_is_reset_again_and_again_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let line = Line::to(broker.port);
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    let house = open(folder.path(), line.port, true);
    let rounds = std::env::var("CURDTRACE_RESTARTS").ok().and_then(|n| n.parse().ok()).unwrap_or(6);
    for round in 0..rounds {
        say(&hand, round * 50..round * 50 + 50);
        std::thread::sleep(Duration::from_millis(u64::from(round * 37 % 200)));
        let before = line.opened.load(Ordering::SeqCst);
        line.all(&line.cut);
        assert!(wait_for(SOON, || line.opened.load(Ordering::SeqCst) > before && house.is_up("broker")));
    }
    let all = wait_for(SOON, || on_disk(folder.path()) == (0..rounds * 50).collect());
    assert!(all, "{} of {} are on disk", on_disk(folder.path()).len(), rounds * 50);
    house.close().unwrap();
}

/// A broker that keeps nothing for us knows of no subscription when it comes back.
#[test]
fn a_broker_that_forgot_us_is_subscribed_to_anew() {
    let folder = tempfile::tempdir().unwrap();
    let mut broker = Broker::start(folder.path(), None);
    let house = open(folder.path(), broker.port, false);
    for round in 0..2 {
        let hand = Hand::new(broker.port, "hand", None, "nothing");
        say(&hand, round * 5..round * 5 + 5);
        assert!(wait_for(SOON, || on_disk(folder.path()) == (0..round * 5 + 5).collect()), "round {round}");
        broker.down();
        assert!(wait_for(SOON, || !house.is_up("broker")));
        broker.up();
        assert!(wait_for(SOON, || house.is_up("broker")));
        std::thread::sleep(Duration::from_millis(200));
    }
    house.close().unwrap();
}

/// One message beyond what the client lets in, or what was its limit, and the broker sent
/// it again at each connection: nothing behind it was ever heard.
#[test]
fn a_message_larger_than_any_reading_makes_nobody_deaf() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let text = format!(
        "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.05\n[[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\n\
         port = {}\nclient-id = \"curdtrace-test\"\nsession-kept = true\n\
         [[mqtt.subscribe]]\ntopic = \"dairy/{{probe}}/temperature\"\npayload = \"number\"\n",
        broker.port
    );
    let house = House::open(config(folder.path(), &text), Clock::real());
    assert!(wait_for(SOON, || house.is_up("broker")));
    let hand = Hand::new(broker.port, "hand", None, "nothing");
    std::thread::sleep(Duration::from_millis(200));
    hand.publish("dairy/milk/temperature", &"3".repeat(300_000));
    hand.publish("dairy/milk/temperature", "34.5");
    assert!(wait_for(SOON, || house.taken() == 1), "what is behind it is heard");
    assert!(wait_for(SOON, || house.counted("broker", "refused") == 1));
    assert_eq!(house.counted("broker", "reopened"), 0);
    // Beyond what is let in the session is given up after some tries.
    hand.publish("dairy/milk/temperature", &"3".repeat(5 << 20));
    assert!(wait_for(SOON, || {
        hand.publish("dairy/milk/temperature", "35.5");
        std::thread::sleep(Duration::from_millis(200));
        house.taken() > 1
    }));
    // And kept again: what comes while nobody is there waits.
    house.close().unwrap();
    hand.publish("dairy/milk/temperature", "36.5");
    let house = House::open(config(folder.path(), &text), Clock::real());
    assert!(wait_for(SOON, || house.taken() > 0));
    house.close().unwrap();
    let kept = journal(&folder.path().join("data"));
    for celsius in ["34.5", "35.5", "36.5"] {
        assert!(kept.iter().any(|l| l.contains(&format!("celsius={celsius}"))), "{celsius}: {kept:#?}");
    }
}
