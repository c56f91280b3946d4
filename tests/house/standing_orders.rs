//! Promise: what a person ordered holds until a person takes it back, over any
//! number of hours and restarts: the plan chosen for a kettle that has none of
//! its own, an alarm put out of service.

#![allow(clippy::unwrap_used)] // a test may end here

use support::house;
use support::pty;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::event::{Ask, Command, Name};
use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::stage::Stage;
use house::{House, config, journal, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);
/// 2025-07-14T04:05:29Z.
const SUMMER_NS: i64 = 1_752_465_929_000_000_000;

fn open(folder: &Path, clock: &Clock) -> (House, Pty) {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nstall-s = 3600\n",
        folder.join("box").display()
    );
    let pty = Pty::plug(&folder.join("box"));
    let house = House::open(config(folder, &text), clock.clone());
    assert!(wait_for(SOON, || {
        clock.advance(Duration::from_secs(1));
        std::thread::sleep(Duration::from_millis(5));
        house.is_up("box")
    }));
    (house, pty)
}

fn order(house: &House, ask: Ask) {
    let command = Command { kettle: Name::from("milk"), by: Some(Name::from("ada")), ask };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    // The clock stands still, so that no group is due: taken in is what counts.
    let asked = house.feed.commands.command(command);
    let _ = runtime.block_on(async { tokio::time::timeout(Duration::from_millis(200), asked).await });
}

/// Half an hour a reading, for so many hours.
fn hours(house: &House, pty: &mut Pty, clock: &Clock, seq: &mut u32, hours: u32) {
    for _ in 0..hours * 2 {
        clock.advance(Duration::from_secs(1800));
        let before = house.taken();
        pty.send_reading(*seq, "milk", 8.5, 0);
        *seq += 1;
        assert!(wait_for(SOON, || house.taken() > before));
    }
}

fn stands(house: &House) -> (Option<String>, bool) {
    let shown = house.shown();
    let plan = shown.plans.get("milk").map(|p| p.name.clone());
    let out = |k: &curdtrace::engine::view::KettleView| {
        k.alarms.iter().any(|a| a.alarm == AlarmKind::MilkWarm && a.state == AlarmState::OutOfService)
    };
    (plan, shown.view.kettles.iter().any(out))
}

#[test]
fn a_plan_chosen_and_an_alarm_put_out_of_service_outlast_the_look_back() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::by_hand(SUMMER_NS);
    let (house, mut pty) = open(folder.path(), &clock);
    let mut seq = 0;
    hours(&house, &mut pty, &clock, &mut seq, 1);
    let cook = PlannedStage { to_celsius: Some(41.0), ..PlannedStage::of(Stage::Cooking) };
    let plan = Plan { name: "Larch wheel".into(), stages: vec![cook], ..Plan::default() };
    order(&house, Ask::Follow(Some(Arc::new(plan))));
    order(&house, Ask::OutOfService(AlarmKind::MilkWarm, true));
    let wanted = (Some("Larch wheel".to_string()), true);
    assert!(wait_for(SOON, || stands(&house) == wanted), "{:?}", stands(&house));
    hours(&house, &mut pty, &clock, &mut seq, 30);
    house.close().unwrap();
    pty.unplug();
    let again = |line: &&String| line.contains("what=follow") && line.contains("by=\"ada\",again=true");
    let again = journal(&folder.path().join("data")).iter().filter(again).count();
    assert!((4..=5).contains(&again), "every six hours, not {again} times");

    let clock = Clock::by_hand(clock.now().wall_ns + 60_000_000_000);
    let (house, mut pty) = open(folder.path(), &clock);
    assert_eq!(stands(&house), wanted, "after the restart");
    order(&house, Ask::OutOfService(AlarmKind::MilkWarm, false));
    order(&house, Ask::Follow(None));
    hours(&house, &mut pty, &clock, &mut seq, 30);
    house.close().unwrap();
    pty.unplug();
    let (house, pty) = open(folder.path(), &Clock::by_hand(clock.now().wall_ns + 60_000_000_000));
    assert_eq!(stands(&house), (None, false), "taken back is taken back");
    house.close().unwrap();
    pty.unplug();
}
