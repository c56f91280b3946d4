//! Open loop: boundaries held against the truth.

use std::collections::BTreeMap;

use super::heard::{Found, Heard};
use crate::engine::alarm::AlarmKind;
use crate::engine::stage::Stage;

/// Boundaries that count, with how far off still counts as right, seconds.
pub const TOLERANCES: [(Stage, f64); 10] = [
    (Stage::Warming, 120.0),
    (Stage::Ripening, 180.0),
    (Stage::Setting, 180.0),
    (Stage::Cutting, 240.0),
    (Stage::Cooking, 60.0),
    (Stage::Stirring, 90.0),
    (Stage::Settling, 240.0),
    (Stage::Drawing, 60.0),
    (Stage::WheyHeating, 90.0),
    (Stage::WheyResting, 90.0),
];

/// How far off still counts for that stage, seconds.
pub fn tolerance_s(stage: Stage) -> f64 {
    TOLERANCES.iter().find(|t| t.0 == stage).map_or(0.0, |t| t.1)
}

/// One stage's tally.
#[derive(Debug, Clone, Default)]
pub struct StageTally {
    /// Boundaries there were in truth.
    pub truth: u32,
    /// Of them found by the stages as they stood at the end.
    pub live: u32,
    /// Of them found by the make with hindsight.
    pub hindsight: u32,
    /// Signed errors of the matched boundaries with hindsight, seconds.
    pub errors_s: Vec<f64>,
    /// Boundaries beyond those that there were, live and with hindsight.
    pub invented: (u32, u32),
}

/// All of it.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Makes seen.
    pub makes: u32,
    /// By stage.
    pub stages: BTreeMap<Stage, StageTally>,
    /// From a cook's beginning until it was announced, seconds.
    pub cooking_delay_s: Vec<f64>,
    /// Cooks never announced.
    pub cooking_missed: u32,
    /// (confidence, whether the boundary held), with hindsight.
    pub confidence: Vec<(f64, bool)>,
    /// Alarms that sounded, make by make.
    pub sounding: Vec<u32>,
    /// How often each alarm was raised.
    pub rung: BTreeMap<AlarmKind, u32>,
    /// Stages taken back.
    pub withdrawn: u32,
    /// Makes with their name and boundaries missed or invented, for a closer
    /// look.
    pub worst: Vec<(u32, String)>,
}

impl Tally {
    /// Holds one make against its truth.
    pub fn take(&mut self, name: &str, truth: &[(Stage, i64)], heard: &Heard) {
        self.makes += 1;
        self.withdrawn += heard.withdrawn;
        let mut faults = Vec::new();
        for (stage, tolerance_s) in TOLERANCES {
            let tally = self.stages.entry(stage).or_default();
            let wanted: Vec<i64> = truth.iter().filter(|t| t.0 == stage).map(|t| t.1).collect();
            let live: Vec<Found> = of(stage, &heard.live);
            let hindsight: Vec<Found> = of(stage, &heard.hindsight);
            tally.truth += wanted.len() as u32;
            tally.live += matched(&wanted, &live, tolerance_s).iter().flatten().count() as u32;
            tally.invented.0 += live.len().saturating_sub(wanted.len()) as u32;
            tally.invented.1 += hindsight.len().saturating_sub(wanted.len()) as u32;
            let right = matched(&wanted, &hindsight, tolerance_s);
            tally.hindsight += right.iter().flatten().count() as u32;
            for (i, found) in hindsight.iter().enumerate() {
                self.confidence.push((found.confidence, right.contains(&Some(i))));
            }
            for &at in &wanted {
                if let Some(error_s) = nearest(at, &hindsight) {
                    tally.errors_s.push(error_s);
                }
            }
            note(&mut faults, stage, &wanted, &hindsight, &right);
            if stage == Stage::Cooking {
                self.announced(&wanted, &live, tolerance_s);
            }
        }
        self.sounding.push(heard.rung.iter().filter(|r| r.sounds).count() as u32);
        for rung in &heard.rung {
            *self.rung.entry(rung.alarm).or_default() += 1;
        }
        if !faults.is_empty() {
            self.worst.push((faults.len() as u32, format!("{name}: {}", faults.join(", "))));
        }
    }

    /// Invented stages a make, live and with hindsight.
    pub fn invented_per_make(&self) -> (f64, f64) {
        let sum = |pick: fn(&StageTally) -> u32| {
            f64::from(self.stages.values().map(pick).sum::<u32>()) / f64::from(self.makes.max(1))
        };
        (sum(|s| s.invented.0), sum(|s| s.invented.1))
    }

    fn announced(&mut self, wanted: &[i64], live: &[Found], tolerance_s: f64) {
        for hit in matched(wanted, live, 5.0 * tolerance_s).into_iter().zip(wanted) {
            match hit {
                (Some(i), &at) => self.cooking_delay_s.push(seconds(live[i].said_ns - at)),
                (None, _) => self.cooking_missed += 1,
            }
        }
    }
}

fn of(stage: Stage, found: &[Found]) -> Vec<Found> {
    found.iter().filter(|f| f.stage == stage).copied().collect()
}

/// For each boundary wanted, which found one is its nearest within tolerance;
/// each found one serves once.
fn matched(wanted: &[i64], found: &[Found], tolerance_s: f64) -> Vec<Option<usize>> {
    let mut used = vec![false; found.len()];
    wanted
        .iter()
        .map(|&at| {
            let best = found
                .iter()
                .enumerate()
                .filter(|(i, f)| !used[*i] && seconds(f.began_ns - at).abs() <= tolerance_s)
                .min_by_key(|(_, f)| (f.began_ns - at).abs())
                .map(|(i, _)| i);
            if let Some(i) = best {
                used[i] = true;
            }
            best
        })
        .collect()
}

fn nearest(at: i64, found: &[Found]) -> Option<f64> {
    found.iter().map(|f| seconds(f.began_ns - at)).min_by(|a, b| a.abs().total_cmp(&b.abs()))
}

fn note(faults: &mut Vec<String>, stage: Stage, wanted: &[i64], found: &[Found], right: &[Option<usize>]) {
    for (&at, hit) in wanted.iter().zip(right) {
        if hit.is_none() {
            faults.push(match nearest(at, found) {
                Some(s) => format!("{} {s:+.0} s", stage.name()),
                None => format!("{} missed", stage.name()),
            });
        }
    }
    if found.len() > wanted.len() {
        faults.push(format!("{} invented", stage.name()));
    }
}

fn seconds(ns: i64) -> f64 {
    ns as f64 / 1.0e9
}

#[cfg(test)]
mod tests {
    use super::{Found, Heard, Stage, Tally};

    fn found(stage: Stage, at_s: i64) -> Found {
        let ns = at_s * 1_000_000_000;
        Found { stage, began_ns: ns, confidence: 0.9, said_ns: ns + 30_000_000_000 }
    }

    #[test]
    fn hits_misses_and_inventions_are_counted() {
        let truth = [(Stage::Warming, 0), (Stage::Cooking, 1_000_000_000_000)];
        let heard = Heard {
            live: vec![found(Stage::Warming, 119), found(Stage::Cooking, 1061)],
            hindsight: vec![
                found(Stage::Warming, 121),
                found(Stage::Cooking, 990),
                found(Stage::Cooking, 4000),
            ],
            ..Heard::default()
        };
        let mut tally = Tally::default();
        tally.take("one", &truth, &heard);
        assert_eq!((tally.stages[&Stage::Warming].live, tally.stages[&Stage::Warming].hindsight), (1, 0));
        assert_eq!((tally.stages[&Stage::Cooking].live, tally.stages[&Stage::Cooking].hindsight), (0, 1));
        assert!((tally.invented_per_make().1 - 1.0).abs() < 1e-9);
        assert_eq!(tally.cooking_delay_s, [91.0]);
        assert_eq!(tally.confidence.iter().filter(|c| c.1).count(), 1);
    }
}
