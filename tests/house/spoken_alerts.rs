//! Promise: an alarm speaks the dairy's language at every outlet, the numbers as
//! that language writes them, while the record stays as it is for everybody.
//!
//! A kettle is warmed until `heat-off` is called, in an Italian dairy with one
//! program that was set to German: from bytes on the serial line to a program's
//! environment and a broker's topic.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::broker;
use support::house;
use support::pty;

use std::path::Path;
use std::time::Duration;

use broker::{Broker, Hand};
use curdtrace::daemon::Setup;
use curdtrace::daemon::clock::Clock;
use curdtrace::engine::alarm::AlarmKind;
use house::{House, config, wait_for};
use pty::Pty;

const SOON: Duration = Duration::from_secs(20);
/// 14 July 2026, 04:00 UTC.
const MORNING_NS: i64 = 1_784_001_600_000_000_000;

const PLAN: &str = "name = \"Formaggella\"\n[alarms]\nheat-off = \"sounds\"\n\
    [[stage]]\nkind = \"warming\"\nto-celsius = 32.0\n[[stage]]\nkind = \"setting\"\nminutes = 35\n";

fn setting(folder: &Path, broker: u16) -> String {
    let says = |file: &str| {
        let to = folder.join(file);
        format!("[\"/bin/sh\", \"-c\", \"echo $CURDTRACE_WORDS: $CURDTRACE_TEXT >> {}\"]", to.display())
    };
    format!(
        "[dairy]\ndata = \"data\"\nlanguage = \"it\"\n\
         [[kettle]]\nname = \"caldaia\"\nplan = \"plan.toml\"\n[[probe]]\nname = \"caldaia\"\nkettle = \"caldaia\"\n\
         [[serial]]\nname = \"box\"\nport = \"{}\"\nformat = \"frames\"\n\
         [[mqtt]]\nname = \"broker\"\nhost = \"127.0.0.1\"\nport = {broker}\nclient-id = \"curdtrace-spoken\"\npublish-under = \"curdtrace\"\n\
         [[outlet]]\nname = \"casa\"\ncommand = {}\nonly = [\"heat-off\"]\nrepeat-s = 0\n\
         [[outlet]]\nname = \"stall\"\nlanguage = \"de\"\ncommand = {}\nonly = [\"heat-off\"]\nrepeat-s = 0\n",
        folder.join("box").display(),
        says("casa"),
        says("stall"),
    )
}

#[test]
fn a_call_is_italian_in_an_italian_dairy_and_english_in_the_record() {
    let folder = tempfile::tempdir().unwrap();
    let broker = Broker::start(folder.path(), None);
    let hand = Hand::new(broker.port, "hand", None, "curdtrace/+/alarm/heat-off");
    std::fs::write(folder.path().join("plan.toml"), PLAN).unwrap();
    let clock = Clock::by_hand(MORNING_NS);
    let text = setting(folder.path(), broker.port);
    let mut pty = Pty::plug(&folder.path().join("box"));
    let house = House::with(Setup::of(config(folder.path(), &text), clock.clone()));
    assert!(wait_for(SOON, || house.is_up("box") && house.is_up("broker")));
    let called = || {
        let shown = house.shown();
        shown.view.kettles.iter().flat_map(|k| &k.alarms).any(|a| a.alarm == AlarmKind::HeatOff)
    };
    for n in 0..420 {
        clock.advance(Duration::from_secs(1));
        let taken = house.taken();
        let warmed = f64::from(n.max(60) - 60) * 0.02;
        pty.send_reading(n as u32, "caldaia", 28.0 + warmed + f64::from(n % 3) * 0.01, 0);
        assert!(wait_for(SOON, || house.taken() > taken), "reading {n} is not taken in");
        pty.hear();
        if called() {
            break;
        }
    }
    assert!(called(), "the heat-off was not called");
    let heard = |file: &str| std::fs::read_to_string(folder.path().join(file)).unwrap_or_default();
    assert!(wait_for(SOON, || heard("casa").contains('\n') && heard("stall").contains('\n')));
    let (italian, german) = (heard("casa"), heard("stall"));
    assert!(italian.starts_with("Via il fuoco · "), "{italian}");
    assert!(
        italian.contains(": Via il fuoco adesso: ") && italian.contains("obiettivo 32,0 °C."),
        "{italian}"
    );
    assert!(german.contains(": Feuer weg jetzt: ") && german.contains("Ziel 32,0 °C."), "{german}");

    assert!(wait_for(SOON, || !hand.heard("curdtrace/caldaia/alarm").is_empty()));
    let (_, payload, _) = hand.heard("curdtrace/caldaia/alarm").remove(0);
    let event: serde_json::Value = serde_json::from_str(&payload).unwrap();
    assert!(event["text"].as_str().unwrap().starts_with("Heat off now: "), "{payload}");
    assert!(event["words"].as_str().unwrap().starts_with("Via il fuoco adesso: "), "{payload}");
    assert_eq!(event["said"][0]["say"], "said-heat-off-peak", "{payload}");
    house.close().unwrap();
    let record = house::journal(&folder.path().join("data")).join("\n");
    assert!(record.contains("Heat off now: ") && !record.contains("fuoco"), "{record}");
}
