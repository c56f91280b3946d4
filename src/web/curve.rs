//! The recent trace of every kettle, kept for the drawing.
//!
//! Duty: take one point every few seconds from what is known, with gaps where
//! there is no number, and give them back for the curve. It is a convenience
//! for the eye; the record is the journal's.
//!
//! Invariants: a gap stays a gap; what was drawn keeps its shape where the clock is set,
//! and is dated by the clock as it is now, as the engine's stages are; at most [`POINTS_MOST`] points a kettle, the
//! older ones thinned out rather than dropped, so that a long make keeps its shape. Of two
//! points that become one a gap is the one that stays.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio_util::sync::CancellationToken;

use super::Room;
use super::say::is_good;
use crate::engine::effect::WallNs;
use crate::engine::event::Name;
use crate::engine::stage::Stage;
use crate::engine::view::View;

/// Most points kept for one kettle.
pub const POINTS_MOST: usize = 4_000;
/// Closest spacing of two points, nanoseconds.
const SPACING_NS: WallNs = 4_000_000_000;
/// Who was not looked at for longer than this begins anew, nanoseconds.
const AWAY_NS: WallNs = 6 * 3_600_000_000_000;

/// One point of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Wall time, nanoseconds since 1970 UTC.
    pub wall_ns: WallNs,
    /// Filtered temperature, °C; `None` where there was no number.
    pub celsius: Option<f64>,
    /// Whether the number could be trusted.
    pub good: bool,
}

/// The curves of all kettles.
#[derive(Debug, Default)]
pub struct Curves(Mutex<Kept>);

#[derive(Debug, Default)]
struct Kept {
    of: BTreeMap<Name, Vec<Point>>,
    /// Wall minus monotonic time that the points are dated by, nanoseconds.
    offset_ns: Option<i64>,
}

impl Kept {
    /// The clock was set: what was seen before is dated by it too.
    fn date_by(&mut self, offset_ns: i64) {
        let set_by_ns = offset_ns.saturating_sub(self.offset_ns.replace(offset_ns).unwrap_or(offset_ns));
        if set_by_ns != 0 {
            let points = self.of.values_mut().flatten();
            points.for_each(|p| p.wall_ns = p.wall_ns.saturating_add(set_by_ns));
        }
    }
}

impl Curves {
    fn all(&self) -> MutexGuard<'_, Kept> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes in what is known now, by a clock that is `offset_ns` before the monotonic one.
    pub fn take(&self, view: &View, now_ns: WallNs, offset_ns: i64) {
        let mut all = self.all();
        all.date_by(offset_ns);
        for k in &view.kettles {
            let points = all.of.entry(k.kettle.clone()).or_default();
            // What a clock that was ahead then dates later than now.
            points.truncate(points.partition_point(|p| p.wall_ns <= now_ns));
            if let Some(last) = points.last().map(|p| p.wall_ns) {
                if now_ns.saturating_sub(last) > AWAY_NS {
                    points.clear();
                } else if now_ns - last < SPACING_NS {
                    continue;
                }
            }
            // A make is a few hours; what lay before it is not worth its ink.
            if k.stage == Stage::Idle {
                let old = points.partition_point(|p| p.wall_ns < now_ns - 3_600_000_000_000);
                points.drain(..old);
            }
            let celsius = k.celsius.filter(|_| k.age_s.is_some_and(|a| a < k.old_after_s));
            points.push(Point { wall_ns: now_ns, celsius, good: is_good(k.health) });
            thin(points);
        }
    }

    /// Puts what was recorded before under what was seen since, for a daemon
    /// that has just started.
    pub fn remember(&self, kettle: &Name, recorded: impl Iterator<Item = Point>) {
        let mut all = self.all();
        let points = all.of.entry(kettle.clone()).or_default();
        let first = points.first().map_or(WallNs::MAX, |p| p.wall_ns);
        let mut earlier: Vec<Point> = Vec::new();
        for p in recorded.take_while(|p| p.wall_ns < first) {
            if earlier.last().is_none_or(|l| p.wall_ns - l.wall_ns >= SPACING_NS) {
                earlier.push(p);
            }
            thin(&mut earlier);
        }
        points.splice(0..0, earlier);
        thin(points);
    }

    /// The kettle's points, oldest first, from `since_ns` on.
    pub fn of(&self, kettle: &str, since_ns: WallNs) -> Vec<Point> {
        let all = self.all();
        let Some(points) = all.of.get(kettle) else { return Vec::new() };
        points[points.partition_point(|p| p.wall_ns < since_ns)..].to_vec()
    }
}

/// Makes one point of every two of the older half, where there are too many.
fn thin(points: &mut Vec<Point>) {
    while points.len() > POINTS_MOST {
        let newer = points.split_off(points.len() / 2);
        let one_of = |pair: &[Point]| pair.iter().find(|p| p.celsius.is_none()).or(pair.last()).copied();
        *points = points.chunks(2).filter_map(one_of).chain(newer).collect();
    }
}

/// Gathers points from what is known, until `shutdown`.
pub async fn gather(room: Arc<Room>, shutdown: CancellationToken) {
    let mut snapshot = room.seam.snapshot.clone();
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return,
            changed = snapshot.changed() => if changed.is_err() { return },
        }
        let seen = snapshot.borrow_and_update().clone();
        if let Some(now_ns) = seen.wall_ns {
            room.curves.take(&seen.view, now_ns, seen.offset_ns);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::probe::Health;
    use crate::engine::view::KettleView;

    /// The whole curve was gone after the smallest step back of the clock.
    #[test]
    fn a_clock_that_is_set_leaves_the_curve_its_shape() {
        const S: i64 = 1_000_000_000;
        let (copper, noon_ns) = (Name::from("copper"), 1_784_001_780 * S);
        let mut view = View::default();
        view.kettles.push(KettleView { celsius: Some(34.0), ..KettleView::unheard(&copper, &copper) });
        for set_by_s in [-1, -3, -600, -86_400, 2, 600, 86_400 * 365] {
            let curves = Curves::default();
            for s in (0..=1000).step_by(5) {
                let set_ns = if s < 500 { 0 } else { set_by_s * S };
                curves.take(&view, noon_ns + s * S + set_ns, noon_ns + set_ns);
            }
            let seen: Vec<i64> = curves.of("copper", 0).iter().map(|p| p.wall_ns).collect();
            let wanted: Vec<i64> = (0..=1000).step_by(5).map(|s| noon_ns + (s + set_by_s) * S).collect();
            assert_eq!(seen, wanted, "set by {set_by_s} s");
        }
    }

    /// "No reading" lay over every good reading of a probe that wants its tip wiped.
    #[test]
    fn the_curve_trusts_the_numbers_that_the_sheet_trusts() {
        let kettle = Name::from("copper");
        let curves = Curves::default();
        let all = [Health::Good, Health::MaintenanceRequired, Health::OutOfSpecification];
        for (n, health) in (0..).zip(all) {
            let k = KettleView {
                celsius: Some(31.0),
                age_s: Some(1.0),
                health,
                ..KettleView::unheard(&kettle, &kettle)
            };
            let view = View { kettles: vec![k], house: Vec::new() };
            curves.take(&view, n * SPACING_NS, 0);
        }
        let good: Vec<bool> = curves.of("copper", 0).iter().map(|p| p.good).collect();
        assert_eq!(good, [true, true, false]);
    }

    /// With a gap in every second place nothing was thinned out, and it grew without end.
    #[test]
    fn there_are_never_more_points_than_the_most_and_a_gap_stays_one() {
        let kettle = Name::from("copper");
        let seen = |age_s| KettleView {
            celsius: Some(31.0),
            age_s: Some(age_s),
            ..KettleView::unheard(&kettle, &kettle)
        };
        let curves = Curves::default();
        let (start_ns, gap_at) = (1_784_001_780_000_000_000, 3_000);
        for n in 0..20_000_i64 {
            let is_gap = n > 10_000 && n % 2 == 0 || n == gap_at;
            let k = KettleView { stage: Stage::Cooking, ..seen(if is_gap { 1e6 } else { 1.0 }) };
            curves.take(&View { kettles: vec![k], house: Vec::new() }, start_ns + n * SPACING_NS, 0);
            assert!(curves.of("copper", 0).len() <= POINTS_MOST, "point {n}");
        }
        let gap = |p: &Point| p.celsius.is_none() && p.wall_ns == start_ns + gap_at * SPACING_NS;
        assert!(curves.of("copper", 0).iter().any(gap), "a short one of long ago too");
        // What was recorded before comes under it.
        let recorded = (0..6_000).map(|n| Point { wall_ns: n * SPACING_NS, celsius: None, good: true });
        curves.remember(&kettle, recorded);
        assert!(curves.of("copper", 0).len() <= POINTS_MOST);
    }
}
