//! A lot's picture: from its record and readings to what [`super::chart`] draws.
//! Pure.

use std::collections::BTreeMap;

use super::at::At;
use super::chart::{Band, Curve, Picture};
use super::findings::{number, tolerance_celsius};
use super::gather::Point;
use super::record::{Record, StageDone, Stretch};
use crate::words::Words;

/// Two good readings further apart than this are never joined, seconds.
const JOIN_WITHIN_S: f64 = 20.0;

/// A planned stage as the plan's file has it, for one that was done.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Planned {
    /// Where it should end, °C.
    pub to_celsius: Option<f64>,
    /// What the maker expects, minutes.
    pub minutes: Option<f64>,
    /// Schedule: minutes since it began, °C.
    pub points: Vec<(f64, f64)>,
    /// Half width of the good band, °C.
    pub band_celsius: f64,
}

/// For every stage that was done the planned one of its kind, in order.
pub fn planned(record: &Record) -> Vec<Option<Planned>> {
    let stages = record.plan.as_ref().and_then(|p| p.get("stage")).and_then(|s| s.as_array());
    let stages = stages.map(Vec::as_slice).unwrap_or_default();
    let tolerance = tolerance_celsius(record);
    let kind = |v: &toml::Value| v.get("kind").and_then(|k| k.as_str()).unwrap_or_default().to_owned();
    let mut next = 0;
    let of = |done: &StageDone| {
        let ahead = stages.get(next..).unwrap_or_default();
        let at = next + ahead.iter().position(|v| kind(v) == done.stage)?;
        next = at + 1;
        let v = &stages[at];
        let pairs = v.get("points").and_then(|p| p.as_array()).into_iter().flatten();
        let pair = |p: &toml::Value| Some((number(p.get(0)?)?, number(p.get(1)?)?));
        Some(Planned {
            to_celsius: v.get("to-celsius").and_then(number),
            minutes: v.get("minutes").and_then(number),
            points: pairs.filter_map(pair).collect(),
            band_celsius: v.get("band-celsius").and_then(number).unwrap_or(tolerance),
        })
    };
    record.stages.iter().map(of).collect()
}

/// When a stage ended: as told, else where the next began or the trace ends; never
/// before it began.
pub fn ended(record: &Record, i: usize, last: At) -> At {
    let stage = &record.stages[i];
    let next = record.stages.get(i + 1).map(|s| s.began);
    stage.ended.or(next).unwrap_or(last).max(stage.began)
}

/// The lot's picture. Without a reading it spans the lot's own times.
pub fn picture<'a>(
    record: &Record,
    points: &'a BTreeMap<String, Vec<Point>>,
    width: f64,
    height: f64,
    words: &Words,
) -> Picture<'a> {
    let (from, to) = span(record, points);
    let mut curves: Vec<Curve<'_>> = points
        .iter()
        .map(|(name, points)| Curve {
            name: name.clone(),
            points,
            join_within_s: join_within_s(points),
            shift_ns: 0,
        })
        .collect();
    curves.sort_by_key(|c| std::cmp::Reverse(share_of_make(record, &c.name, c.points)));
    let main = main_points(record, points);
    let last = main.last().map_or(to, |p| p.at);
    let stages = (0..record.stages.len())
        .map(|i| {
            (words.one_of("stage", &record.stages[i].stage), record.stages[i].began, ended(record, i, last))
        })
        .collect();
    let marks = record.marks.iter().enumerate().map(|(i, m)| (m.at, (i + 1).to_string())).collect();
    Picture {
        width,
        height,
        from,
        to,
        zone: record.zone(),
        stages,
        bands: bands(record, last),
        marks,
        calls: calls(record, main, words),
        gaps: record.gaps.iter().filter(|g| is_main(&curves, &g.probe)).map(|g| (g.from, g.to)).collect(),
        no_reading: words.word("curve-gap"),
        title: words.say("curve-of-lot", &[("lot", &record.lot)]),
        description: describe(record, main, (from, to), words),
        curves,
    }
}

fn is_main(curves: &[Curve<'_>], probe: &str) -> bool {
    curves.first().is_some_and(|c| c.name == probe)
}

/// The kettle's own probe: of those that hung in it the one with most readings while
/// stages ran.
pub fn main_points<'a>(record: &Record, points: &'a BTreeMap<String, Vec<Point>>) -> &'a [Point] {
    // The first of those that have as many, as a stable sort has it.
    let main = points.iter().rev().max_by_key(|(probe, p)| share_of_make(record, probe, p));
    main.map(|(_, p)| p.as_slice()).unwrap_or_default()
}

/// The highest temperature between two moments, °C, and about when: the highest
/// median of a minute, so that a spike or a splash of hot water is none.
///
/// ```
/// use curdtrace::lot::{at::At, gather::Point, picture::highest};
/// let good = |s: i64, c| Point { at: At(s * 1_000_000_000), celsius: Some(c), good: true };
/// let mut points: Vec<_> = (0..600).map(|s| good(s, 30.0 + s as f64 / 100.0)).collect();
/// points[100].celsius = Some(85.0);
/// let (peak, _) = highest(&points, At(0), At(600_000_000_000)).unwrap();
/// assert!((peak - 35.7).abs() < 0.1);
/// ```
pub fn highest(points: &[Point], from: At, to: At) -> Option<(f64, At)> {
    const MINUTE_NS: i64 = 60_000_000_000;
    let begin = points.partition_point(|p| p.at < from);
    let end = points.partition_point(|p| p.at <= to);
    let mut best: Option<(f64, At)> = None;
    let within = points.get(begin..end).unwrap_or_default();
    let minute = |p: &Point| p.at.0.saturating_sub(from.0) / MINUTE_NS;
    for of_a_minute in within.chunk_by(|a, b| minute(a) == minute(b)) {
        let good = of_a_minute.iter().filter(|p| p.good);
        let mut all: Vec<(f64, At)> = good.filter_map(|p| Some((p.celsius?, p.at))).collect();
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        let median = all.get(all.len() / 2).copied();
        best = match (best, median) {
            (Some(b), Some(m)) if m.0 <= b.0 => Some(b),
            (b, m) => m.or(b),
        };
    }
    best
}

/// Joined are readings up to five of the probe's own intervals apart.
pub fn join_within_s(points: &[Point]) -> f64 {
    let mut between: Vec<i64> = points.windows(2).map(|w| w[1].at.0.saturating_sub(w[0].at.0)).collect();
    if between.is_empty() {
        return JOIN_WITHIN_S;
    }
    let middle = between.len() / 2;
    let (_, median, _) = between.select_nth_unstable(middle);
    JOIN_WITHIN_S.max(*median as f64 / 1e9 * 5.0)
}

/// Whether a probe hung in the lot's kettle, and how much it has of the make.
fn share_of_make(record: &Record, probe: &str, points: &[Point]) -> (bool, usize) {
    let elsewhere = |s: &Stretch| s.probe == probe && s.kettle.is_some();
    let own = record.own_stretches().any(|s| s.probe == probe) || !record.stretches.iter().any(elsewhere);
    (own, during_stages(record, points))
}

fn during_stages(record: &Record, points: &[Point]) -> usize {
    let (Some(first), Some(last)) = (record.stages.first(), record.stages.last()) else {
        return points.len();
    };
    let end = last.ended.unwrap_or(last.began);
    points.iter().filter(|p| first.began <= p.at && p.at <= end).count()
}

/// From the first reading (or stage, or mark) to the last.
fn span(record: &Record, points: &BTreeMap<String, Vec<Point>>) -> (At, At) {
    let of_points = points.values().filter_map(|p| Some((p.first()?.at, p.last()?.at)));
    let of_stages = record.stages.iter().map(|s| (s.began, s.ended.unwrap_or(s.began)));
    let times: Vec<(At, At)> = of_points.chain(of_stages).collect();
    let from = times.iter().map(|t| t.0).min().unwrap_or(record.opened);
    let to = times.iter().map(|t| t.1).max().or(record.closed).unwrap_or(record.opened);
    if to > from { (from, to) } else { (from, from.plus_s(3600)) }
}

fn bands(record: &Record, to: At) -> Vec<Band> {
    let mut bands = Vec::new();
    for (i, planned) in planned(record).into_iter().enumerate() {
        let Some(p) = planned else { continue };
        let (began, ended) = (record.stages[i].began, ended(record, i, to));
        let line: Vec<(At, f64)> = if p.points.len() > 1 {
            let at = |minutes: f64| At(began.0.saturating_add((minutes * 60e9) as i64)).min(ended);
            p.points.iter().map(|(m, c)| (at(*m), *c)).collect()
        } else if let Some(target) = p.to_celsius {
            // The last quarter of the stage: where the target is meant to be met.
            let length = ended.0.saturating_sub(began.0);
            vec![(At(ended.0.saturating_sub(length / 4)), target), (ended, target)]
        } else {
            continue;
        };
        bands.push(Band { line, half_width_celsius: p.band_celsius });
    }
    bands
}

fn calls(record: &Record, points: &[Point], words: &Words) -> Vec<(At, f64, String)> {
    let zone = record.zone();
    let call = |name: &str| matches!(name, "heat-off" | "over-target");
    record
        .alarms
        .iter()
        .filter(|a| call(&a.alarm))
        .filter_map(|a| {
            let celsius = a.celsius.or_else(|| celsius_at(points, a.raised))?;
            let (alarm, at) = (words.one_of("alarm", &a.alarm), a.raised.clock(&zone));
            Some((a.raised, celsius, words.say("curve-called", &[("alarm", &alarm), ("at", &at)])))
        })
        .collect()
}

/// The last good reading at a moment.
pub fn celsius_at(points: &[Point], at: At) -> Option<f64> {
    let upto = points.partition_point(|p| p.at <= at);
    points[..upto].iter().rev().take(60).find(|p| p.good).and_then(|p| p.celsius)
}

fn describe(record: &Record, points: &[Point], (from, to): (At, At), words: &Words) -> String {
    let zone = record.zone();
    if points.is_empty() {
        return words.word("curve-none");
    }
    let mut said = vec![words.say("curve-span", &[("from", &from.clock(&zone)), ("to", &to.clock(&zone))])];
    if let Some((peak, at)) = highest(points, from, to) {
        let peak = words.number(peak, 1);
        said.push(words.say("curve-highest", &[("celsius", &peak), ("at", &at.clock(&zone))]));
    }
    let stage = |s: &StageDone| {
        let word = words.one_of("stage", &s.stage);
        words.say("curve-stage", &[("stage", &word), ("at", &s.began.clock(&zone))])
    };
    let stages: Vec<String> = record.stages.iter().map(stage).collect();
    if !stages.is_empty() {
        said.push(words.say("curve-stages", &[("stages", &stages.join(", "))]));
    }
    if !record.gaps.is_empty() {
        said.push(words.say("curve-gaps", &[("n", &record.gaps.len().to_string())]));
    }
    said.join(" ")
}
