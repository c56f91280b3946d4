//! The curve, drawn by the code that draws the printed sheet.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::tz::{Offset, TimeZone};
use serde::Deserialize;
use tokio::time::Instant;

use super::{At, Problem, Wanted};
use crate::engine::alarm::AlarmKind;
use crate::engine::effect::WallNs;
use crate::engine::event::MarkKind;
use crate::engine::plan::{Plan, PlannedStage};
use crate::engine::stage::Stage;
use crate::engine::view::{AlarmView, KettleView};
use crate::lot::at::At as Moment;
use crate::lot::chart::{Band, Curve, Picture, draw};
use crate::lot::gather::Point;
use crate::web::Room;
use crate::web::seam::Snapshot;
use crate::web::state;
use crate::words::Words;

const MIN_NS: WallNs = 60_000_000_000;
/// How much room is left for what is to come, at least.
const AHEAD_NS: WallNs = 3 * MIN_NS;
/// What lay before the make and is still worth its ink.
const BEFORE_NS: WallNs = 5 * MIN_NS;
/// Without a make: the last half hour.
const IDLE_NS: WallNs = 30 * MIN_NS;

#[derive(Deserialize)]
pub(super) struct Size {
    width: Option<u16>,
    height: Option<u16>,
    language: Option<String>,
}

pub(super) async fn curve(
    State(room): State<Arc<Room>>,
    At(name): At<String>,
    Wanted(size): Wanted<Size>,
) -> Result<Response, Problem> {
    let seen = room.seam.snapshot.borrow().clone();
    let Some(k) = seen.view.kettles.iter().find(|k| *k.kettle == *name) else {
        return Err(Problem::not_found("kettle"));
    };
    let Some(now_ns) = state::Moment::at(&seen, Instant::now()).now_ns else {
        return Ok(StatusCode::NO_CONTENT.into_response());
    };
    let from_ns = begin(k, now_ns);
    let points: Vec<Point> = room
        .curves
        .of(&k.kettle, from_ns)
        .into_iter()
        .map(|p| Point { at: Moment(p.wall_ns), celsius: p.celsius, good: p.good })
        .collect();
    if points.is_empty() {
        return Ok(StatusCode::NO_CONTENT.into_response());
    }
    let words = Words::of(size.language.as_deref().unwrap_or(&room.settings.language));
    let paper = (f64::from(size.width.unwrap_or(700)), f64::from(size.height.unwrap_or(300)));
    let picture = Scene { seen: &seen, k, words, now_ns, from_ns }.picture(&points, paper);
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], draw(&picture)).into_response())
}

/// Where the drawing begins: a little before the make.
fn begin(k: &KettleView, now_ns: WallNs) -> WallNs {
    let made = k.stages.iter().filter(|s| s.0 != Stage::Idle).filter_map(|s| s.1).min();
    match made {
        Some(began) if k.stage != Stage::Idle => began.min(now_ns) - BEFORE_NS,
        _ => now_ns - IDLE_NS,
    }
}

struct Scene<'a> {
    seen: &'a Snapshot,
    k: &'a KettleView,
    words: &'a Words,
    now_ns: WallNs,
    from_ns: WallNs,
}

impl Scene<'_> {
    fn picture<'p>(&self, points: &'p [Point], (width, height): (f64, f64)) -> Picture<'p> {
        let reach =
            self.k.forecast.as_ref().and_then(|f| f.reach_at).filter(|r| *r < self.now_ns + 120 * MIN_NS);
        let to_ns = reach.map_or(0, |r| r + MIN_NS).max(self.now_ns + AHEAD_NS);
        let offset = Offset::from_seconds(self.seen.utc_offset_s).unwrap_or(Offset::UTC);
        Picture {
            width: width.clamp(160.0, 2_000.0),
            height: height.clamp(100.0, 1_200.0),
            from: Moment(self.from_ns),
            to: Moment(to_ns),
            zone: TimeZone::fixed(offset),
            curves: vec![Curve { name: self.k.probe.to_string(), points, join_within_s: 30.0, shift_ns: 0 }],
            stages: self.stages(),
            bands: self.bands(),
            marks: self.marks(),
            calls: self.calls(points),
            gaps: gaps(points, self.now_ns),
            no_reading: self.words.say("curve-gap", &[]),
            title: format!("{} · {}", self.k.kettle, self.words.say("curve", &[])),
            description: self.words.say(&format!("stage-{}", self.k.stage.name()), &[]),
        }
    }

    fn stages(&self) -> Vec<(String, Moment, Moment)> {
        let shown: Vec<(Stage, WallNs)> = self
            .k
            .stages
            .iter()
            .filter(|s| s.0 != Stage::Idle)
            .filter_map(|(s, b)| Some((*s, (*b)?)))
            .collect();
        let word = |s: Stage| self.words.say(&format!("stage-{}", s.name()), &[]);
        let ends = shown.iter().skip(1).map(|s| s.1).chain([self.now_ns]);
        shown.iter().zip(ends).map(|((s, b), e)| (word(*s), Moment(*b), Moment(e))).collect()
    }

    /// The plan's wish for every stage begun, and the forecast as a band from
    /// now to where the target is reached.
    fn bands(&self) -> Vec<Band> {
        let mut bands = Vec::new();
        if let Some(plan) = self.seen.plans.get(&self.k.kettle) {
            let mut next = 0;
            for (i, (stage, began)) in self.k.stages.iter().enumerate() {
                let Some(at) = plan.stages[next..].iter().position(|p| p.kind == *stage) else { continue };
                let planned = &plan.stages[next + at];
                next += at + 1;
                let ended = self.k.stages.get(i + 1).and_then(|s| s.1).unwrap_or(self.now_ns + AHEAD_NS);
                bands.extend(began.and_then(|began| wanted(plan, planned, began, ended)));
            }
        }
        if let (Some(f), Some(celsius)) = (&self.k.forecast, self.k.celsius)
            && let Some(reach) = f.reach_at.filter(|r| *r > self.now_ns)
        {
            bands.push(Band {
                line: vec![(Moment(self.now_ns), celsius), (Moment(reach), f.target_celsius)],
                half_width_celsius: ((f.peak_high_celsius - f.peak_low_celsius) / 2.0).max(0.05),
            });
        }
        bands
    }

    fn marks(&self) -> Vec<(Moment, String)> {
        let mine = self.seen.marks.iter().filter(|m| m.mark.kettle == self.k.kettle);
        let shown = mine.filter(|m| !matches!(m.mark.kind, MarkKind::Note(_)));
        shown.enumerate().filter_map(|(i, m)| Some((Moment(m.wall_ns?), (i + 1).to_string()))).collect()
    }

    /// On the trace: the call to take the heat off where it came, "too hot" since when it is
    /// as it is now.
    fn calls(&self, points: &[Point]) -> Vec<(Moment, f64, String)> {
        let called = |a: &AlarmView| match a.alarm {
            AlarmKind::HeatOff => self.k.heat_off_called_at.or(a.since),
            AlarmKind::OverTarget => a.since,
            _ => None,
        };
        let stood = |at: WallNs| points.iter().filter(|p| p.at.0 <= at).filter_map(|p| p.celsius).next_back();
        let said = |a: &AlarmView| self.words.say(&format!("alarm-{}", a.alarm.name()), &[]);
        let calls = self.k.alarms.iter().filter_map(|a| Some((called(a)?, said(a))));
        calls.filter_map(|(at, said)| Some((Moment(at), stood(at)?, said))).collect()
    }
}

fn wanted(plan: &Plan, p: &PlannedStage, began: WallNs, ended: WallNs) -> Option<Band> {
    let line: Vec<(Moment, f64)> = if p.points.is_empty() {
        let target = p.to_celsius?;
        // The last quarter of the stage: where the target is meant to be met.
        vec![(Moment(ended - (ended - began) / 4), target), (Moment(ended), target)]
    } else {
        p.points.iter().map(|(m, c)| (Moment(began + (m * MIN_NS as f64) as WallNs), *c)).collect()
    };
    Some(Band { line, half_width_celsius: p.band_celsius.unwrap_or(plan.tolerance_celsius) })
}

/// Times without a good reading, half a minute and longer, up to now.
fn gaps(points: &[Point], now_ns: WallNs) -> Vec<(Moment, Moment)> {
    let good = points.iter().filter(|p| p.good && p.celsius.is_some()).map(|p| p.at.0);
    let mut last = points.first().map_or(now_ns, |p| p.at.0);
    let mut gaps = Vec::new();
    for at in good.chain([now_ns]) {
        if at - last > MIN_NS / 2 {
            gaps.push((Moment(last), Moment(at)));
        }
        last = at;
    }
    gaps
}
