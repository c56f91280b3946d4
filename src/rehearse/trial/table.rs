//! The trials' tables, compact, for a terminal and for the README.

use std::fmt::Write as _;

use super::closed::{Caller, Outcome};
use super::months::{Idle, Nothing};
use super::open::{TOLERANCES, Tally};

/// Stages found, one row a stage.
pub fn open(title: &str, tally: &Tally) -> String {
    let mut out = format!("{title}: {} makes\n", tally.makes);
    out.push_str("stage          there  live  hindsight  error p10/p50/p90 s   invented live/hindsight\n");
    for (stage, _) in TOLERANCES {
        let Some(t) = tally.stages.get(&stage).filter(|t| t.truth > 0 || t.invented != (0, 0)) else {
            continue;
        };
        let share = |n: u32| f64::from(n) / f64::from(t.truth.max(1));
        let e = |q| quantile(&t.errors_s, q);
        let _ = writeln!(
            out,
            "{:<13} {:>6}  {:.3}  {:.3}     {:>6.0} {:>6.0} {:>6.0}        {:>4} {:>4}",
            stage.name(),
            t.truth,
            share(t.live),
            share(t.hindsight),
            e(0.1),
            e(0.5),
            e(0.9),
            t.invented.0,
            t.invented.1
        );
    }
    let (live, hindsight) = tally.invented_per_make();
    let _ = writeln!(
        out,
        "invented a make: {live:.3} live, {hindsight:.3} with hindsight; withdrawn a make {:.2}",
        f64::from(tally.withdrawn) / f64::from(tally.makes.max(1))
    );
    let _ = writeln!(
        out,
        "cooking announced after: p50 {:.0} s, p90 {:.0} s, never {}",
        quantile(&tally.cooking_delay_s, 0.5),
        quantile(&tally.cooking_delay_s, 0.9),
        tally.cooking_missed
    );
    out.push_str(&calibration(&tally.confidence));
    let sounding: Vec<f64> = tally.sounding.iter().map(|&n| f64::from(n)).collect();
    let _ = write!(
        out,
        "sounding a make: p50 {:.0}, p90 {:.0}, most {:.0}; raised a make:",
        quantile(&sounding, 0.5),
        quantile(&sounding, 0.9),
        quantile(&sounding, 1.0)
    );
    for (alarm, n) in &tally.rung {
        let _ = write!(out, " {} {:.2}", alarm.name(), f64::from(*n) / f64::from(tally.makes.max(1)));
    }
    out.push('\n');
    out
}

fn calibration(confidence: &[(f64, bool)]) -> String {
    let mut out = String::from("said/held:");
    for (low, high) in [(0.0, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)] {
        let inside: Vec<&(f64, bool)> = confidence.iter().filter(|c| c.0 >= low && c.0 < high).collect();
        if inside.is_empty() {
            continue;
        }
        let n = inside.len() as f64;
        let said = inside.iter().map(|c| c.0).sum::<f64>() / n;
        let held = inside.iter().filter(|c| c.1).count() as f64 / n;
        let _ = write!(out, "  {said:.2}/{held:.2} (n {n:.0})");
    }
    out.push('\n');
    out
}

/// The makes with most faults, most first.
pub fn worst(tally: &Tally, count: usize) -> String {
    let mut all = tally.worst.clone();
    all.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    all.iter().take(count).fold(String::new(), |out, w| out + "  " + &w.1 + "\n")
}

/// How cooks ended with one caller.
pub fn closed(title: &str, caller: Caller, outcomes: &[Outcome]) -> String {
    let miss: Vec<f64> = outcomes.iter().map(|o| o.miss_celsius).collect();
    let size: Vec<f64> = miss.iter().map(|m| m.abs()).collect();
    let who = match caller {
        Caller::Engine => "engine",
        Caller::Threshold => "threshold",
        Caller::Foreseer => "foreseer",
    };
    let missed = outcomes.iter().filter(|o| o.calls == 0).count();
    let twice = outcomes.iter().filter(|o| o.calls > 1).count();
    let called = if caller == Caller::Engine {
        let told: Vec<bool> = outcomes.iter().filter_map(|o| o.band_held).collect();
        let held = told.iter().filter(|held| **held).count() as f64 / told.len().max(1) as f64;
        format!("  not called {missed}, twice {twice}; band held {held:.2}")
    } else {
        String::new()
    };
    format!(
        "{title:<28} {who:<9} n {:>4}  peak - target p10/p50/p90 {:+.2} {:+.2} {:+.2}  |.| p90 {:.2} °C{called}\n",
        miss.len(),
        quantile(&miss, 0.1),
        quantile(&miss, 0.5),
        quantile(&miss, 0.9),
        quantile(&size, 0.9),
    )
}

/// What was made of nothing.
pub fn month(idle: Idle, with_plan: bool, nothing: &Nothing) -> String {
    format!(
        "{:<9} {:<10} makes {}, stages {}, temperature alarms {}\n",
        idle.name(),
        if with_plan { "with plan" } else { "no plan" },
        nothing.makes,
        nothing.stages,
        nothing.alarms
    )
}

/// The value below which a share of them lies; not a number where there is
/// none.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().saturating_sub(1);
    sorted.get((share * last as f64).round() as usize).copied().unwrap_or(f64::NAN)
}
