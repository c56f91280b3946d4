//! Promise: a clock that is not to be trusted is told as an alarm: it shows and
//! does not sound, is told once, is taken as others are, and goes when the clock
//! is set; the journal played again says the same.

#![allow(clippy::unwrap_used)] // a test may end here

use support::{house, lot_command};

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::daemon::intake;
use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::Conclusion;
use curdtrace::engine::event::{Ask, Command, Event, Name, Stamp};
use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::storage::Disk;
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::wire::line::{Names, parse};
use house::{House, config, journal, wait_for};

const SOON: Duration = Duration::from_secs(10);
/// 2025-07-14T04:05:29Z.
const SUMMER_NS: i64 = 1_752_465_929_000_000_000;

fn open(folder: &Path, clock: &Clock) -> House {
    House::open(config(folder, "[dairy]\ndata = \"data\"\n[journal]\ngroup-seconds = 0.1\n"), clock.clone())
}

/// The states of the house's alarms, and whether one of them sounds.
fn stands(house: &House) -> (Vec<(AlarmKind, AlarmState)>, bool) {
    let alarms = house.shown().view.house.clone();
    (alarms.iter().map(|a| (a.alarm, a.state)).collect(), alarms.iter().any(|a| a.sounds))
}

fn comes_to(house: &House, clock: &Clock, wanted: &[AlarmState]) {
    let wanted = (wanted.iter().map(|s| (AlarmKind::ClockUnsure, *s)).collect::<Vec<_>>(), false);
    let there = wait_for(SOON, || {
        clock.advance(Duration::from_millis(500));
        stands(house) == wanted
    });
    assert!(there, "{:?}, not {wanted:?}", stands(house));
}

/// What the alarm said by the journal, played through an engine of its own.
fn played(lines: &[String]) -> Vec<AlarmState> {
    let (mut engine, mut effects, mut names) = (Engine::new(None), Vec::new(), Names::default());
    for (n, text) in (1..).zip(lines) {
        let (line, _) = parse(text, &mut names).unwrap().unwrap();
        let Some(what) = intake::happening(line).unwrap() else { continue };
        let stamp = Stamp { boot: 1, mono_ns: n * 1_000_000_000, wall_ns: None };
        engine.step(&Event { stamp, what }, &mut effects);
    }
    let said = effects.into_iter().filter_map(|e| match e.what {
        Conclusion::Alarm(a) if a.alarm == AlarmKind::ClockUnsure => Some(a.state),
        _ => None,
    });
    said.collect()
}

#[test]
fn a_clock_that_was_never_set_is_told_once_until_it_is() {
    use AlarmState::{Acknowledged, Unacknowledged};
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let clock = Clock::by_hand(100_000_000_000);
    let house = open(folder.path(), &clock);
    comes_to(&house, &clock, &[Unacknowledged]);
    let taken = Ask::Acknowledge(Some(AlarmKind::ClockUnsure));
    let command = Command { kettle: Name::from(""), by: Some(Name::from("ada")), ask: taken };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let asked = house.feed.commands.command(command);
    let _ = runtime.block_on(async { tokio::time::timeout(Duration::from_millis(200), asked).await });
    comes_to(&house, &clock, &[Acknowledged]);
    house.close().unwrap();

    // Another process: it stands as it stood, and is not told again.
    let house = open(folder.path(), &clock);
    comes_to(&house, &clock, &[Acknowledged]);
    house.close().unwrap();
    let told = |lines: &[String]| lines.iter().filter(|l| l.contains("what=clock sure=false")).count();
    assert_eq!(told(&journal(&data)), 1);

    let house = open(folder.path(), &clock);
    comes_to(&house, &clock, &[Acknowledged]);
    clock.set_wall(SUMMER_NS);
    comes_to(&house, &clock, &[]);
    house.close().unwrap();
    let lines = journal(&data);
    assert_eq!(told(&lines), 1, "{lines:?}");
    // That it was set stands before that it is sure, which is of then.
    let of = |what: &str| lines.iter().position(|l| l.contains(what)).unwrap();
    let (set, sure) = (of("what=clock-step"), of("what=clock sure=true"));
    assert!(set < sure && lines[sure].contains(" 17524659"), "{lines:?}");
    assert_eq!(played(&lines)[..2], [Unacknowledged, Acknowledged]);

    // A clock that is sure says nothing.
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::by_hand(SUMMER_NS);
    let house = open(folder.path(), &clock);
    comes_to(&house, &clock, &[]);
    house.close().unwrap();
    assert!(journal(&folder.path().join("data")).iter().all(|l| !l.contains("what=clock ")));
}

/// A mark by the command, without a daemon, called any clock after 2020 sure. So its
/// time was the last one trusted, and the next daemon believed a clock that it had
/// known to be a day behind.
#[test]
fn a_mark_by_the_command_makes_no_clock_trusted() {
    const DAY_NS: i64 = 86_400_000_000_000;
    let clock = Clock::real();
    // The journal ends a day ahead of the machine's clock, or an hour before it.
    for (newest_ns, sure) in
        [(clock.now().wall_ns + DAY_NS, false), (clock.now().wall_ns - DAY_NS / 24, true)]
    {
        let folder = tempfile::tempdir().unwrap();
        let dir = folder.path().join("data/journal");
        let (mut journal, _) = Journal::open(Arc::new(Disk), &dir, Settings::default(), "before").unwrap();
        let at = Moment { mono_ns: 0, offset_ns: newest_ns, clock_sure: true };
        journal.push(&format!("temperature,probe=kettle celsius=34.5 {newest_ns}"), at).unwrap();
        journal.commit().unwrap();
        drop(journal);
        lot_command::well(folder.path(), &["mark", "cut", "--kettle", "kettle"]);
        let mut replay = Replay::open(Arc::new(Disk), &dir, Span::default()).unwrap();
        replay.next_line().unwrap().unwrap();
        let (mark, line) = replay.next_line().unwrap().unwrap();
        assert!(line.starts_with("mark,"), "{line}");
        assert_eq!(mark.wall_ns.is_some(), sure, "{line}");
        // And so does the daemon think of it.
        let house = open(folder.path(), &clock);
        assert!(wait_for(SOON, || house.shown().clock_sure == sure));
        house.close().unwrap();
    }
}
