//! The real page before invented kettles: for looking at every state of it, and
//! for the browser's tests.
//!
//!     cargo run --example page_scenes -- --data DIR
//!
//! (with `--pin 4711` seen only by who types that)
//! prints the address on the first line; then every line on standard input
//! names a scene, answered by `shown NAME` once it is what the page is given;
//! every wish of a person comes out as a line.
//! Nothing here is measured: an invented hut, invented makes.

use std::io::{BufRead as _, Write as _};
use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::config::shown::May;
use curdtrace::engine::alarm::{AlarmKind, AlarmState, Priority};
use curdtrace::engine::effect::{Forecast, WallNs};
use curdtrace::engine::event::{Ask, Mark, MarkKind, Name};
use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::probe::Health;
use curdtrace::engine::said::Said;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::engine::view::{AlarmView, KettleView, View};
use curdtrace::web::seam::{MarkSeen, OutletState, Seam, Snapshot, Wish};
use curdtrace::web::{Room, Settings, serve};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

#[path = "page_scenes/parts.rs"]
mod parts;
use parts::{alarm, forecast, kettle, plan, second};

const S: i64 = 1_000_000_000;
const MIN: i64 = 60 * S;
/// 14 July 2026, 06:41:30 UTC: a morning.
const NOW: WallNs = 1_784_011_290 * S;

#[tokio::main(flavor = "current_thread")]
async fn main() -> std::io::Result<()> {
    let mut args = std::env::args().skip(1);
    let mut data = std::env::temp_dir().join("page-scenes");
    let (mut port, mut pin) = (0, None);
    while let Some(a) = args.next() {
        match a.as_str() {
            "--data" => data = args.next().map_or(data, PathBuf::from),
            "--port" => port = args.next().and_then(|p| p.parse().ok()).unwrap_or(0),
            "--pin" => pin = args.next(),
            _ => {}
        }
    }
    let (show, snapshot) = watch::channel(Arc::new(scene("cooking")));
    let (desk, mut asked) = mpsc::channel(16);
    let mut settings = Settings::in_data(&data);
    settings.plans = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/config/plans"));
    if std::env::var("PAGE_SCENES_PLANS").is_ok() {
        settings.plans = data.join("plans");
    }
    if pin.is_some() {
        // As though every request came from another machine.
        (settings.access.read, settings.proxied, settings.pin_rounds) = (May::Pin, true, 100);
    }
    let room = Room::new(
        Seam { snapshot, desk, in_hand: Arc::default(), data, calibration_of: |_, _| None },
        settings,
        format!("scenes-{}", std::process::id()),
    );
    if let Some(pin) = pin {
        room.pin.set(&pin)?;
    }
    let listener = TcpListener::bind(("127.0.0.1", port)).await?;
    say(&format!("http://{}", listener.local_addr()?));
    let (lines, mut scenes) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            let _ = lines.send(line);
        }
    });
    let stop = CancellationToken::new();
    tokio::spawn(serve(listener, Arc::clone(&room), stop.clone()));
    fill(&room, &show.borrow());
    let mut beat = tokio::time::interval(std::time::Duration::from_secs(1));
    let mut silent = false;
    loop {
        tokio::select! {
            line = scenes.recv() => match line.as_deref() {
                None => break,
                Some("silent") => silent = true,
                Some(name) => {
                    silent = false;
                    let s = scene(name);
                    fill(&room, &s);
                    show.send_replace(Arc::new(s));
                    say(&format!("shown {name}"));
                }
            },
            Some(a) = asked.recv() => {
                say(&format!("{:?}", a.wish));
                show.send_modify(|s| obey(Arc::make_mut(s), &a.wish));
                let _ = a.answer.send(Ok(()));
            }
            _ = beat.tick() => if !silent {
                show.send_modify(|s| {
                    let s = Arc::make_mut(s);
                    s.wall_ns = s.wall_ns.map(|w| w + S);
                    s.taken = Instant::now();
                });
            },
        }
    }
    stop.cancel();
    Ok(())
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}

fn obey(s: &mut Snapshot, wish: &Wish) {
    match wish {
        Wish::Mark(mark, _) => s.marks.push(MarkSeen { wall_ns: s.wall_ns, mark: mark.clone() }),
        Wish::Command(c) => {
            let kettles = s.view.kettles.iter_mut().filter(|k| k.kettle == c.kettle);
            for a in kettles.flat_map(|k| &mut k.alarms) {
                match &c.ask {
                    Ask::Acknowledge(which) if which.is_none_or(|w| w == a.alarm) => {
                        a.state = AlarmState::Acknowledged;
                    }
                    Ask::Shelve(which, seconds) if *which == a.alarm => {
                        a.state = AlarmState::Shelved;
                        a.shelved_until = s.wall_ns.map(|now| now + i64::from(*seconds) * S);
                    }
                    _ => {}
                }
            }
        }
        Wish::TestOutlets => {}
    }
}

/// An invented trace behind the scene, so that there is a curve.
fn fill(room: &Room, s: &Snapshot) {
    let Some(now) = s.wall_ns else { return };
    let mut view = s.view.clone();
    for t in (0..110 * 60).step_by(5) {
        let ago = 110 * 60 - t;
        for (k, end) in view.kettles.iter_mut().zip(&s.view.kettles) {
            let end_c = end.celsius.unwrap_or(39.0);
            // Minutes before now; the stages' own times.
            let ago_min = f64::from(ago) / 60.0;
            let stir = 0.12 * (f64::from(t) * 0.7).sin();
            k.celsius = Some(match ago_min {
                m if m > 95.0 => 13.8,
                m if m > 68.0 => 13.8 + 18.4 * (95.0 - m) / 27.0 + stir,
                m if m > 24.0 => 32.2 - (68.0 - m) * 0.01,
                m if m > 10.0 => 31.35 + stir,
                m => 31.4 + (end_c - 31.4) * (10.0 - m) / 10.0 + stir,
            });
            k.age_s = Some(1.0);
        }
        room.curves.take(&view, now - i64::from(ago) * S, 0);
    }
}

#[allow(clippy::too_many_lines)] // one arm a scene; splitting would hide the list
fn scene(name: &str) -> Snapshot {
    let mut k = kettle("big kettle");
    k.forecast = Some(forecast(425, 480));
    let mut more = Vec::new();
    match name {
        "idle" => {
            k = KettleView {
                stage: Stage::Idle,
                celsius: Some(17.6),
                rate_celsius_per_min: Some(0.0),
                target_celsius: None,
                planned_minutes: None,
                forecast: None,
                stages: Vec::new(),
                ..k
            };
        }
        "warming" => {
            k.stage = Stage::Warming;
            k.celsius = Some(24.71);
            k.rate_celsius_per_min = Some(1.12);
            k.target_celsius = Some(32.0);
            k.forecast = Some(forecast(372, 395));
            k.stages.truncate(1);
            k.stage_began = k.stages[0].1;
        }
        "setting" => {
            k.stage = Stage::Setting;
            k.celsius = Some(32.18);
            k.rate_celsius_per_min = Some(-0.01);
            k.target_celsius = None;
            k.planned_minutes = Some(35.0);
            k.forecast = None;
            k.curd_check_at = Some(NOW + 11 * MIN);
            k.stages.truncate(2);
            k.stage_began = Some(NOW - 22 * MIN);
            k.stages[1].1 = k.stage_began;
        }
        "get-ready" => {
            k.celsius = Some(41.53);
            k.forecast = Some(forecast(232, 270));
            k.alarms = vec![alarm(AlarmKind::GetReady, Priority::Medium)];
        }
        "heat-off" => {
            k.celsius = Some(43.12);
            k.forecast = Some(forecast(-2, 60));
            k.alarms =
                vec![alarm(AlarmKind::HeatOff, Priority::High), alarm(AlarmKind::GetReady, Priority::Medium)];
            k.alarms[1].state = AlarmState::Acknowledged;
            k.heat_off_called_at = Some(NOW - 4 * S);
        }
        "heat-off-past" => {
            k = scene("heat-off").view.kettles.remove(0);
            k.forecast = Some(forecast(-40, 30));
            k.alarms.truncate(1);
            k.alarms[0].state = AlarmState::ReturnedUnacknowledged;
            k.alarms[0].stands = false;
        }
        "blind" => {
            k = scene("fault").view.kettles.remove(0);
            k.alarms[0].state = AlarmState::Acknowledged;
            k.alarms.push(alarm(AlarmKind::HeatOff, Priority::High));
            k.alarms[1].said = vec![Said::of("said-heat-off-blind").number("lasting", 34.0)];
            k.heat_off_called_at = Some(NOW - 4 * S);
        }
        "drawing" => {
            k.stage = Stage::Drawing;
            k.stage_began = Some(NOW - MIN);
            (k.target_celsius, k.planned_minutes, k.forecast) = (None, None, None);
            k.health = Health::CheckFunction;
            k.reason = "lifted out".into();
        }
        "dead" => {
            k = scene("idle").view.kettles.remove(0);
            (k.celsius, k.age_s, k.health) = (None, None, Health::Failure);
            k.reason = "silent: nothing heard from it".into();
        }
        "over" => {
            k.celsius = Some(44.91);
            k.rate_celsius_per_min = Some(0.31);
            k.forecast = None;
            k.alarms = vec![alarm(AlarmKind::OverTarget, Priority::High)];
        }
        "fault" => {
            k.celsius = None;
            k.rate_celsius_per_min = None;
            k.age_s = Some(34.0);
            k.health = Health::Failure;
            k.reason = "open circuit: wire broken or plug out".into();
            k.forecast = None;
            k.alarms = vec![alarm(AlarmKind::ProbeFault, Priority::High)];
        }
        "doubt" => {
            k.health = Health::OutOfSpecification;
            k.reason = "touches the wall or the bottom: hang it free".into();
        }
        "old" => {
            k.age_s = Some(47.0);
        }
        "two" => more.push(second()),
        "two-alarm" => {
            let mut b = second();
            b.alarms = vec![alarm(AlarmKind::CurdCheck, Priority::Medium)];
            more.push(b);
        }
        "two-call" => {
            k = scene("heat-off").view.kettles.remove(0);
            more.push(second());
        }
        "whey" => {
            k.stage = Stage::WheyHeating;
            k.celsius = Some(100.04);
            k.target_celsius = Some(88.0);
            k.alarms = vec![alarm(AlarmKind::NearBoil, Priority::High)];
        }
        _ => {}
    }
    let mark = |ago: i64, kettle: &str, kind| MarkSeen {
        wall_ns: Some(NOW - ago * MIN),
        mark: Mark { kettle: Name::from(kettle), kind, by: Some(Name::from("Nives")) },
    };
    let mut marks = vec![
        mark(70, "big kettle", MarkKind::Rennet),
        mark(52, "big kettle", MarkKind::Floc),
        mark(24, "big kettle", MarkKind::Cut),
        mark(12, "big kettle", MarkKind::HeatOn),
    ];
    match name {
        "idle" | "dead" | "warming" => marks.clear(),
        "setting" => marks.truncate(1),
        _ => {}
    }
    let lot = match name {
        "long-lot" => "2026-07-14-1-of-the-evening-and-the-morning-milk-of-both-huts-together",
        _ => "2026-07-14-1",
    };
    let mut house = Vec::new();
    if name == "house" {
        house =
            vec![alarm(AlarmKind::StoreFault, Priority::High), alarm(AlarmKind::ClockUnsure, Priority::Low)];
        house[1].sounds = false;
    }
    let mut kettles = vec![k];
    kettles.append(&mut more);
    if name == "none" {
        kettles.clear();
    }
    Snapshot {
        view: View { kettles, house },
        taken: Instant::now(),
        wall_ns: Some(NOW),
        offset_ns: 0,
        clock_sure: true,
        utc_offset_s: 7200,
        open_lots: [(Name::from("big kettle"), lot.to_owned())].into(),
        plans: [(Name::from("big kettle"), Arc::new(plan()))].into(),
        marks,
        outlets: vec![
            OutletState { name: "stable horn".into(), well: true, text: String::new() },
            OutletState { name: "house".into(), well: false, text: "no route to host".into() },
        ],
        store: Ok(()),
        counters: vec![("readings", "Readings taken in.", 5_700)],
        sources: Vec::new(),
    }
}
