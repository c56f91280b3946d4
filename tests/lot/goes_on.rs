//! Killed in the middle of a make and started again: the same lot goes on, and
//! what the record holds is what it would hold without the kill.
//!
//! The kill is an image of the data folder, taken while the daemon runs: what
//! SIGKILL leaves behind. The make is drawn by the crate's own simulator.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods, clippy::print_stdout)] // a test may end here, and measure

use support::house;
use support::play;
use support::pty;

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use curdtrace::config::{dairy::Config, plan};
use curdtrace::daemon::clock::Clock;
use curdtrace::engine::event::{Ask, Command as Wish, Name};
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{Marks, Spoken, make};
use curdtrace::rehearse::scene::Options;
use house::{House, config, journal, wait_for};
use play::{close_lot, play, wait};
use pty::Pty;

const SOON: Duration = Duration::from_secs(10);
const KETTLE: &str = "kettle";

fn dairy(folder: &Path) -> Config {
    let text = format!(
        "[dairy]\ndata = \"data\"\n[[kettle]]\nname = \"{KETTLE}\"\nplan = \"plan.toml\"\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\nstall-s = 3600\n",
        folder.join("box").display()
    );
    config(folder, &text)
}

fn say(pty: &mut Pty, seq: u32, r: &curdtrace::engine::event::Reading) {
    match r.celsius {
        Some(celsius) => pty.send_reading(seq, KETTLE, celsius, 0),
        None => pty.send_fault(seq, KETTLE),
    }
    pty.hear();
}

#[test]
fn the_lot_goes_on_after_a_kill_in_the_middle_of_the_cook() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(3, Family::HardCooked, &Options::default(), Marks::All);
    std::fs::write(folder.path().join("plan.toml"), plan::write(&make.plan)).unwrap();
    let config = dairy(folder.path());
    let data = folder.path().join("data");
    let cook = make.began.iter().find(|b| b.0.name() == "cooking").unwrap().1;
    // Five minutes into the cook; the program is away for 20 s.
    let killed_ns = cook + 300_000_000_000;
    let back_ns = killed_ns + 20_000_000_000;
    let (first, rest): (Vec<_>, Vec<_>) = make.lines.iter().cloned().partition(|l| l.0 < killed_ns);
    let rest: Vec<(i64, Spoken)> = rest.into_iter().filter(|l| l.0 >= back_ns).collect();

    let mut pty = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(make.start_ns);
    let house = House::open(config.clone(), clock.clone());
    pty.opened();
    play(&first, &house, &clock, |seq, r| say(&mut pty, seq, r));
    let take = Wish {
        kettle: Name::from(KETTLE),
        by: Some(Name::from("ada")),
        ask: Ask::Shelve(curdtrace::engine::alarm::AlarmKind::HeatSlow, 3600),
    };
    let asked = house.feed.commands.clone();
    let shelved = std::thread::spawn(move || wait(asked.command(take)));
    assert!(wait_for(SOON, || {
        clock.advance(Duration::from_millis(100));
        shelved.is_finished()
    }));
    shelved.join().unwrap().unwrap();
    let lot = house.shown().open_lots.get(KETTLE).cloned().unwrap();
    let before = house.shown().view.kettles[0].clone();
    let acked = pty.acked.clone();
    let image = folder.path().join("image");
    let copied = Command::new("cp").args(["-r", data.to_str().unwrap(), image.to_str().unwrap()]).status();
    assert!(copied.unwrap().success());
    pty.unplug();
    house.close().unwrap();

    // The machine comes back: another boot, the image as it was.
    std::fs::remove_dir_all(&data).unwrap();
    std::fs::rename(&image, &data).unwrap();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(back_ns);
    let house = House::open(config, clock.clone());
    pty.opened();
    let again = house.shown();
    assert_eq!(again.open_lots.get(KETTLE), Some(&lot), "the same lot goes on");
    play(&rest[..1], &house, &clock, |seq, r| say(&mut pty, seq, r));
    clock.advance(Duration::from_secs(1));
    assert!(wait_for(SOON, || house.shown().view.kettles.first().is_some_and(|k| k.celsius.is_some())));
    let after = house.shown().view.kettles[0].clone();
    assert_eq!(after.stage, before.stage, "the stage goes on");
    assert_eq!(after.stages.len(), before.stages.len(), "{:?} {:?}", before.stages, after.stages);
    assert_eq!(after.plan, before.plan);
    let shelf = |k: &curdtrace::engine::view::KettleView| -> Vec<String> {
        k.alarms.iter().map(|a| format!("{} {}", a.alarm.name(), a.state.name())).collect()
    };
    println!("alarms before {:?}, after {:?}", shelf(&before), shelf(&after));
    play(&rest[1..], &house, &clock, |seq, r| say(&mut pty, seq + 1, r));
    if let Some(open) = house.shown().open_lots.get(KETTLE) {
        close_lot(&data, open, &clock);
    }
    house.close().unwrap();

    let lots: Vec<_> =
        std::fs::read_dir(data.join("lots")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(lots, [std::ffi::OsString::from(&lot)], "one make, one lot");
    let record = std::fs::read_to_string(data.join("lots").join(&lot).join("lot.toml")).unwrap();
    for stage in ["warming", "setting", "cutting", "cooking", "stirring"] {
        assert!(record.contains(&format!("\"{stage}\"")), "no {stage} in the lot: {record}");
    }
    // Nothing that was acknowledged before the kill is missing in the trace.
    let trace = std::fs::read_to_string(data.join("lots").join(&lot).join("trace.lp")).unwrap();
    let kept: std::collections::BTreeSet<u32> = journal(&data)
        .iter()
        .filter_map(|l| l.split("seq=").nth(1)?.split('u').next()?.parse().ok())
        .collect();
    assert!(acked.iter().all(|a| kept.contains(a)));
    let is_call = |l: &String| {
        l.contains("what=said-alarm") && l.contains("heat-off") && l.contains(r#":\"unacknowledged"#)
    };
    let calls: Vec<String> = journal(&data).into_iter().filter(is_call).collect();
    // The milk is warmed, and the curd cooked: two heatings.
    assert_eq!(calls.len(), 2, "one heating, one call, kill or no kill: {calls:#?}");
    assert!(trace.lines().filter(|l| l.starts_with("temperature")).count() > 1000);
}

#[test]
fn a_lot_closed_by_a_person_in_the_middle_holds_the_make_so_far() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(3, Family::HardCooked, &Options::default(), Marks::All);
    std::fs::write(folder.path().join("plan.toml"), plan::write(&make.plan)).unwrap();
    let config = dairy(folder.path());
    let stirring = make.began.iter().find(|b| b.0.name() == "stirring").unwrap().1;
    let lines: Vec<_> = make.lines.iter().filter(|l| l.0 < stirring + 300_000_000_000).cloned().collect();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(make.start_ns);
    let house = House::open(config, clock.clone());
    pty.opened();
    play(&lines, &house, &clock, |seq, r| say(&mut pty, seq, r));
    let lot = house.shown().open_lots.get(KETTLE).cloned().unwrap();
    // Two persons close it at once: the second one's waits for the make, too.
    let close = |by: &str| {
        Command::new(env!("CARGO_BIN_EXE_curdtrace"))
            .args(["lot", "close", &lot, "--by", by, "--data", "data"])
            .current_dir(folder.path())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap()
    };
    let mut closings = [close("ada"), close("ada")];
    assert!(wait_for(SOON, || {
        clock.advance(Duration::from_millis(100));
        closings.iter_mut().all(|c| c.try_wait().unwrap().is_some())
    }));
    for closing in closings {
        let said = String::from_utf8(closing.wait_with_output().unwrap().stdout).unwrap();
        assert!(said.contains("is closed and sealed"), "{said}");
        assert!(
            said.contains("is ended with it: what goes on there is a new one, and its calls may come late"),
            "{said}"
        );
    }
    // What the command says is so already: the whole of it is in the folder.
    let shut = folder.path().join("data/lots").join(&lot);
    let events = std::fs::read_to_string(shut.join("events.jsonl")).unwrap();
    assert_eq!(events.matches(r#""kind":"make""#).count(), 1, "{events}");
    let record = std::fs::read_to_string(shut.join("lot.toml")).unwrap();
    assert!(record.contains(r#"closed-by = "ada""#), "{record}");
    assert!(record.contains("[[cook"), "{record}");
    house.close().unwrap();
}

/// "End the make" at the page, where nobody typed a name, was told as the program's doing.
#[test]
fn a_make_that_somebody_ends_was_closed_by_a_person() {
    let folder = tempfile::tempdir().unwrap();
    let make = make(3, Family::HardCooked, &Options::default(), Marks::All);
    std::fs::write(folder.path().join("plan.toml"), plan::write(&make.plan)).unwrap();
    let setting = make.began.iter().find(|b| b.0.name() == "setting").unwrap().1;
    let lines: Vec<_> = make.lines.iter().filter(|l| l.0 < setting + 300_000_000_000).cloned().collect();
    let mut pty = Pty::plug(&folder.path().join("box"));
    let clock = Clock::by_hand(make.start_ns);
    let house = House::open(dairy(folder.path()), clock.clone());
    pty.opened();
    play(&lines, &house, &clock, |seq, r| say(&mut pty, seq, r));
    let lot = house.shown().open_lots.get(KETTLE).cloned().unwrap();
    let asked = house.feed.commands.clone();
    let end = Wish { kettle: Name::from(KETTLE), by: None, ask: Ask::EndMake };
    let ended = std::thread::spawn(move || wait(asked.command(end)));
    assert!(wait_for(SOON, || {
        clock.advance(Duration::from_millis(100));
        ended.is_finished() && !house.shown().open_lots.contains_key(KETTLE)
    }));
    ended.join().unwrap().unwrap();
    house.close().unwrap();
    let record =
        std::fs::read_to_string(folder.path().join("data/lots").join(&lot).join("lot.toml")).unwrap();
    assert!(
        record.contains(r#"opened-by = "curdtrace""#) && record.contains(r#"closed-by = "a person""#),
        "{record}"
    );
}
