//! Promise: the stages are found in makes that another hand simulated
//! (`tests/referee/makes.py`), ordinary ones and odd ones, with other physics than the
//! rehearsal's. Prints what share of each stage is found within its tolerance.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::Value as Json;
use support::referee;

/// Stages that every trace shows, with the tolerance of their beginning, seconds.
const SHOWN: [(&str, f64); 4] =
    [("warming", 120.0), ("cutting", 240.0), ("cooking", 60.0), ("drawing", 60.0)];

/// One make: what was truly done, and what was said.
struct Played {
    truth: Json,
    said: Vec<Json>,
}

fn play(dir: &Path, kind: &str, seed: u32) -> Played {
    let made = Command::new("python3")
        .arg(referee::script("makes.py"))
        .args([kind, &seed.to_string(), "--out"])
        .arg(dir)
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let file = |ext: &str| dir.join(format!("{kind}-{seed}.{ext}"));
    let replay = Command::new(support::program())
        .args(["replay", "--plan"])
        .args([file("plan.toml"), file("lp")])
        .output()
        .unwrap();
    assert!(replay.status.success(), "{}", String::from_utf8_lossy(&replay.stderr));
    let said = String::from_utf8(replay.stdout).unwrap();
    Played {
        truth: serde_json::from_slice(&std::fs::read(file("truth.json")).unwrap()).unwrap(),
        said: said.lines().map(|l| serde_json::from_str(l).unwrap()).collect(),
    }
}

impl Played {
    fn of_kind<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Json> {
        self.said.iter().filter(move |e| e["kind"] == kind)
    }

    /// The stages of all makes that were given: which, and when they began, seconds.
    fn found(&self) -> Vec<(String, f64)> {
        let stages = self.of_kind("make").flat_map(|m| m["stages"].as_array().unwrap());
        let began = |s: &Json| s["began"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        stages
            .map(|s| (s["stage"].as_str().unwrap().into(), began(s).as_millisecond() as f64 / 1e3))
            .collect()
    }

    fn truly(&self) -> Vec<(String, f64)> {
        let all = self.truth["began"].as_array().unwrap().iter();
        all.map(|t| (t[0].as_str().unwrap().into(), t[1].as_f64().unwrap())).collect()
    }

    /// What sounded, by its alarm.
    fn sounded(&self) -> Vec<&Json> {
        let alarms = self.of_kind("alarm");
        alarms.filter(|a| a["state"] == "unacknowledged" && a["sounds"] == true).collect()
    }
}

#[test]
fn ordinary_makes_are_found() {
    let dir = tempfile::tempdir().unwrap();
    let mut shares: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
    let kinds = ["semi", "hard", "washed", "uncooked", "twostep", "wheycheese", "tiny", "motor"];
    for (kind, seed) in kinds.iter().flat_map(|k| (1..4).map(move |s| (k, s))) {
        let played = play(dir.path(), kind, seed);
        let found = played.found();
        for (stage, at_s) in played.truly() {
            let Some((name, within_s)) = SHOWN.iter().find(|s| s.0 == stage) else { continue };
            let hit = found.iter().any(|(s, t)| *s == stage && (t - at_s).abs() <= *within_s);
            let share = shares.entry(name).or_default();
            (share.0, share.1) = (share.0 + u32::from(hit), share.1 + 1);
            if !hit {
                println!("{kind} {seed}: {stage} not within {within_s} s");
            }
        }
        let sounded = played.sounded().len();
        assert!(sounded <= 8, "{kind} {seed}: {sounded} alarms sounded");
    }
    for (stage, (hits, of)) in &shares {
        println!("{stage}: {hits} of {of}");
        assert!(hits * 10 >= of * 9, "{stage}: {hits} of {of}");
    }
}

/// Milk that the plan warms beyond where any is renneted: curdled by acid and heat, soured
/// warm, or scalded and cooled back.
#[test]
fn milk_that_is_scalded_is_in_a_make() {
    let dir = tempfile::tempdir().unwrap();
    let kinds = ["acidset", "acid75", "yoghurt", "scalded72", "scalded85"];
    for (kind, seed) in kinds.iter().flat_map(|k| (1..3).map(move |s| (k, s))) {
        let played = play(dir.path(), kind, seed);
        let found = played.found();
        for (stage, at_s) in played.truly() {
            let hit = found.iter().any(|(s, t)| *s == stage && (t - at_s).abs() <= 120.0);
            assert!(stage != "warming" || hit, "{kind} {seed}: {stage} in {found:?}");
        }
    }
}

/// A probe that was hung into cut curd sounded "too hot" against the milk's target.
#[test]
fn curd_on_the_fire_is_not_too_hot_for_milk() {
    let dir = tempfile::tempdir().unwrap();
    for seed in 1..6 {
        let played = play(dir.path(), "latecut", seed);
        let target = played.truth["cooks"][0]["target"].as_f64().unwrap();
        let too_hot = |a: &&&Json| a["alarm"] == "over-target" && a["limit_celsius"].as_f64() < Some(target);
        let false_ones: Vec<_> =
            played.sounded().iter().filter(too_hot).map(|a| a["text"].to_string()).collect();
        assert!(false_ones.is_empty(), "{seed}: {false_ones:?}");
    }
}
