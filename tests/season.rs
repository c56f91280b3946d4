//! Promise: a season of lots can be listed, compared, traced back and forward,
//! summed up, handed over and verified by the commands a person types.
//!
//! The makes are simulated, with accidents in them: spikes, gaps, lifted
//! probes, loose wires, makers who do not hear the call, lots nobody kept. Two
//! days are made here; the whole season of 240 makes, with its times and
//! sizes, comes by
//!
//!     CURDTRACE_SEASON_DAYS=120 cargo test --release --test season -- --nocapture

#![allow(clippy::unwrap_used, clippy::print_stdout, clippy::disallowed_methods)] // a test may end here, and say figures

use support::lived;

use std::path::Path;
use std::process::{Command, Output};
use std::time::Instant;

use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Request};
use curdtrace::lot::record::{Milking, Record, Wheel};
use curdtrace::lot::store::Store;
use curdtrace::rehearse::chance::Chance;
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::scene::{Options, Scene};
use curdtrace::rehearse::script::Ending;
use lived::{FULL_OF_ACCIDENTS, Hut, MAKER, Shift};

const DAY_S: i64 = 86_400;

/// What each kettle makes, day after day.
const BIG: [Family; 4] = [Family::SemiCooked, Family::WithWheyCheese, Family::HardCooked, Family::TwoStep];
const SMALL: [Family; 4] = [Family::Washed, Family::LowScald, Family::Uncooked, Family::QuickCooked];

/// Every so many days the small kettle's lot is forgotten.
const FORGETS_EVERY: i64 = 20;

fn run(data: &Path, args: &[&str]) -> (i32, String, String) {
    let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .arg("lot")
        .args(args)
        .arg("--config")
        .arg(data.join("hut.toml"))
        .output()
        .unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (status.code().unwrap(), text(stdout), text(stderr))
}

/// Runs a command that must go well, and says how long it took.
fn well(data: &Path, args: &[&str]) -> String {
    let began = Instant::now();
    let (code, out, err) = run(data, args);
    assert_eq!(code, 0, "{args:?}: {err}");
    println!("{:7.0} ms  curdtrace lot {}", began.elapsed().as_secs_f64() * 1e3, args.join(" "));
    out
}

/// Two makes of day `n`, of which the last forgotten one is a day old.
fn shifts(n: i64, morning: At) -> Vec<Shift> {
    let mut chance = Chance::of(n.cast_unsigned()).branch(0x5ea5);
    [("big", BIG, 0, 11), ("small", SMALL, 5400, 12)]
        .map(|(kettle, families, later_s, own)| {
            let options = Options {
                kettle: Some(own),
                rough: FULL_OF_ACCIDENTS,
                odd: 0.12,
                ending: Ending::Called,
                ..Options::default()
            };
            let seed = n.cast_unsigned() * 100 + own;
            Shift {
                kettle,
                scene: Scene::new(seed, families[(n % 4) as usize], &options),
                begins: morning.plus_s(later_s + chance.between(0.0, 1800.0) as i64),
                deaf: chance.happens(0.08),
                forgotten: kettle == "small" && n % FORGETS_EVERY == 1,
            }
        })
        .into()
}

/// What persons enter in the evening.
fn enter(hut: &mut Hut, lot: &str, litres: f64, at: At) {
    let day = hut.lots.store().load(lot).unwrap().day();
    let mut chance = Chance::of(at.0.cast_unsigned()).branch(0xe7e);
    let mut ask = |ask| hut.lots.apply(&Request { at, by: Some(MAKER.into()), ask }).unwrap();
    for part in ["evening", "morning"] {
        let milking = Milking {
            milking: format!("{day}-{part}"),
            litres: Some(litres.round() / 2.0),
            ..Milking::default()
        };
        ask(Ask::Milking { lot: lot.into(), milking });
    }
    let kg = litres * chance.between(8.5, 11.0) / 100.0;
    let wheels =
        (1..=2).map(|w| Wheel { wheel: w.to_string(), kg: Some((kg * 5.0).round() / 10.0), note: None });
    ask(Ask::Wheels { lot: lot.into(), wheels: wheels.collect() });
    let fields = [
        ("rennet.lot", format!("R-{}", &day[..7])),
        ("rennet.dose-ml", format!("{:.0}", litres / 8.0)),
        ("score", format!("{:.0}", chance.between(4.0, 10.0))),
    ];
    let fields = fields.map(|(f, v)| (f.to_owned(), v)).into();
    ask(Ask::Set { lot: lot.into(), fields, reason: None });
}

/// Three in the morning, UTC, so many days ago.
fn first_morning(days: i64) -> At {
    let now = At(i64::try_from(jiff::Timestamp::now().as_nanosecond()).unwrap());
    At(now.0 - now.0.rem_euclid(DAY_S * 1_000_000_000)).plus_s(3 * 3600 - days * DAY_S)
}

/// Makes the season, up to yesterday; gives how many makes there were.
fn live(data: &Path, days: i64) -> usize {
    let first = first_morning(days);
    let mut hut = Hut::new(data, first.plus_s(-3600));
    let mut makes = 0;
    for n in 0..days {
        let morning = first.plus_s(n * DAY_S);
        let shifts = shifts(n, morning);
        makes += shifts.len();
        let litres: Vec<f64> = shifts.iter().map(|s| s.scene.world.kettle.litres).collect();
        let known = hut.closed.len();
        hut.day(shifts);
        let mut mothers: Vec<String> = hut.closed[known..].to_vec();
        mothers.retain(|l| hut.lots.store().load(l).unwrap().mother.is_none());
        for lot in mothers {
            let big = hut.lots.store().load(&lot).unwrap().kettle == "big";
            enter(&mut hut, &lot, litres[usize::from(!big)], morning.plus_s(16 * 3600));
        }
        assert!(hut.lots.open_lots().is_empty(), "day {n}: {:?}", hut.lots.open_lots());
    }
    makes
}

fn bytes_below(dir: &Path) -> u64 {
    let entries = std::fs::read_dir(dir).into_iter().flatten().flatten();
    entries
        .map(|e| if e.path().is_dir() { bytes_below(&e.path()) } else { e.metadata().unwrap().len() })
        .sum()
}

#[test]
fn a_season_is_listed_compared_traced_handed_over_and_verified() {
    let days: i64 = std::env::var("CURDTRACE_SEASON_DAYS").map_or(2, |d| d.parse().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path();
    let config = format!(
        "[dairy]\nname = \"Hut above the larches\"\ntime-zone = \"Europe/Zurich\"\ndata = {:?}\n\
         [[kettle]]\nname = \"big\"\n[[kettle]]\nname = \"small\"\n",
        data.display().to_string()
    );
    std::fs::write(data.join("hut.toml"), config).unwrap();
    let began = Instant::now();
    let makes = live(data, days);
    println!("{makes} makes on {days} days in {:.0} s", began.elapsed().as_secs_f64());
    let store = Store::at(std::sync::Arc::new(curdtrace::journal::storage::Disk), data);
    attach_what_was_forgotten(data, days);

    let listed = well(data, &["list"]);
    let lots = store.ids().unwrap();
    assert_eq!(listed.lines().count(), lots.len(), "{listed}");
    assert!(lots.len() >= makes, "{makes} makes, {} lots:\n{listed}", lots.len());
    let records: Vec<Record> = lots.iter().map(|l| store.load(l).unwrap()).collect();
    for r in &records {
        assert!(r.is_closed() && !r.stages.is_empty(), "{}: {:?}", r.lot, r.stages);
        assert!(r.stretches.iter().all(|s| s.readings > 100), "{}: {:?}", r.lot, r.stretches);
    }
    trace(data, &records);
    sum_up(data, &records);
    hand_over(data, &records);
    let verified = well(data, &["verify"]);
    let whole = verified.lines().filter(|l| l.contains(": as it was closed (")).count();
    assert_eq!(whole, lots.len(), "{verified}");
    println!(
        "{} lots, {:.1} MB in lots/, {:.1} MB in journal/",
        lots.len(),
        bytes_below(&data.join("lots")) as f64 / 1e6,
        bytes_below(&data.join("journal")) as f64 / 1e6
    );
}

/// The trace of every lot nobody kept is attached afterwards.
fn attach_what_was_forgotten(data: &Path, days: i64) {
    let first = first_morning(days);
    for n in (1..days).step_by(FORGETS_EVERY as usize) {
        let day = first.plus_s(n * DAY_S).day(&jiff::tz::TimeZone::get("Europe/Zurich").unwrap());
        let attach = |which: &str| {
            ["attach", "new", "--make", which, "--kettle", "small", "--by", MAKER].map(String::from)
        };
        let (code, _, err) = run(data, &attach(&day).each_ref().map(String::as_str));
        if code == 0 {
            continue;
        }
        // A cheese and its whey: each is named by when it began.
        assert!(code == 64 && err.contains("several makes are meant"), "{err}");
        let listed = err.split("; say which").next().unwrap();
        let listed = listed.split(" in kettle").filter_map(|part| part.split_once(&format!("{day} ")));
        let begins: Vec<String> = listed.map(|(_, at)| format!("{day} {}", &at[..5])).collect();
        for begin in &begins {
            let out = well(data, &attach(begin).each_ref().map(String::as_str));
            assert!(out.contains("is closed and sealed"), "{out}");
        }
        assert_eq!(begins.len(), 2, "{err}");
    }
}

fn trace(data: &Path, records: &[Record]) {
    let made = records.iter().rev().find(|r| !r.wheels.is_empty()).unwrap();
    let origin = well(data, &["origin", &format!("{}/2", made.lot)]);
    assert!(origin.contains(&made.milkings[0].milking), "{origin}");
    let fate = well(data, &["fate", &made.milkings[0].milking]);
    assert!(fate.contains(&made.lot), "{fate}");
    // The whey of a cheese has a lot of its own, which leads back to the same
    // milk.
    let whey = records.iter().find(|r| r.mother.is_some()).unwrap();
    let origin = well(data, &["origin", &whey.lot]);
    assert!(origin.contains("milking"), "{origin}");
    assert!(whey.stages.iter().all(|s| s.stage.starts_with("whey-")), "{:?}", whey.stages);
    let of_month = well(data, &["fate", made.rennet.lot.as_deref().unwrap()]);
    let same = records.iter().filter(|r| r.rennet.lot == made.rennet.lot).count();
    assert!(of_month.lines().count() >= same, "{of_month}");
}

fn sum_up(data: &Path, records: &[Record]) {
    let last = records.iter().rev().find(|r| r.score.is_some()).unwrap();
    if records.iter().any(|r| r.lot != last.lot && r.product == last.product && r.score.is_some()) {
        let compared = well(data, &["compare", &last.lot]);
        assert!(compared.contains("warming"), "{compared}");
        let page = data.join("compare.html");
        well(data, &["compare", &last.lot, "--out", page.to_str().unwrap()]);
    }
    let season = well(data, &["season"]);
    assert!(records.iter().all(|r| season.contains(&r.lot)), "{season}");
    let page = data.join("season.html");
    well(data, &["season", "--out", page.to_str().unwrap()]);
    println!("{:.0} kB season.html", std::fs::metadata(&page).unwrap().len() as f64 / 1e3);
    well(data, &["show", &last.lot]);
}

fn hand_over(data: &Path, records: &[Record]) {
    let stick = data.join("stick");
    std::fs::create_dir_all(&stick).unwrap();
    let years: std::collections::BTreeSet<String> = records.iter().map(|r| r.day()[..4].to_owned()).collect();
    for year in years {
        let out = well(data, &["export", "--day", &year, "--to", stick.to_str().unwrap()]);
        assert!(out.contains("read back and the same"), "{out}");
        well(data, &["export", "--day", &year, "--as", "tar", "--to", stick.to_str().unwrap()]);
    }
    for r in records {
        let folder = find(&stick, &r.lot).unwrap();
        assert!(folder.join("SHA256SUMS").is_file(), "{}", folder.display());
    }
    println!("{:.1} MB on the stick", bytes_below(&stick) as f64 / 1e6);
}

/// The folder of that name somewhere below.
fn find(dir: &Path, name: &str) -> Option<std::path::PathBuf> {
    std::fs::read_dir(dir)
        .ok()?
        .flatten()
        .map(|e| e.path())
        .filter(|p| p.is_dir())
        .find_map(|p| if p.file_name().is_some_and(|n| n == name) { Some(p) } else { find(&p, name) })
}
