//! What the page's curves show of the time before the daemon started.
//!
//! The journal has every probe's readings and not which of a kettle's probes was
//! followed when. So the curve is that of the one followed now; where it gave no
//! number for so long that another takes its place, it is the others'.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use crate::engine::probe::PLAUSIBLE_CELSIUS;
use crate::journal::storage::{Disk, Storage};
use crate::lot::at::At;
use crate::lot::gather::{Point, Wanted, gather};
use crate::web::Room;
use crate::web::curve;

/// How much of the journal the curve shows after a restart: a long make.
const LOOK_BACK_S: i64 = 10 * 3600;

/// A probe without a number for so long is no longer followed where another
/// speaks, seconds.
const GIVEN_UP_S: i64 = 180;

/// Gives the page's curves what the journal holds of the last hours. Without a
/// journal to read the curves begin now; that is no fault of the make.
pub(super) fn remember(room: &Room, data: &Path) {
    let seen = room.seam.snapshot.borrow().clone();
    let Some(now) = seen.wall_ns.map(At) else { return };
    let storage: Arc<dyn Storage> = Arc::new(Disk);
    let from = now.plus_s(-LOOK_BACK_S);
    for k in &seen.view.kettles {
        let wanted = Wanted { live: Some((from, now)), kettle: k.kettle.to_string(), ..Wanted::default() };
        let Ok(found) = gather(&storage, &data.join("journal"), &wanted) else { return };
        let points = followed(found.points, &k.probe, (from, now));
        let points = points.into_iter().map(|p| curve::Point {
            wall_ns: p.at.0,
            celsius: p.celsius.filter(|c| PLAUSIBLE_CELSIUS.contains(c)),
            good: p.good,
        });
        room.curves.remember(&k.kettle, points);
    }
}

/// The points of `probe`, and the other probes' where it was silent for long.
fn followed(mut points: BTreeMap<String, Vec<Point>>, probe: &str, (from, to): (At, At)) -> Vec<Point> {
    let mut shown = points.remove(probe).unwrap_or_default();
    let spoke: Vec<At> = shown.iter().filter(|p| p.good).map(|p| p.at).collect();
    let (before, after) = ([from].into_iter().chain(spoke.clone()), spoke.into_iter().chain([to]));
    let silences: Vec<(At, At)> = before.zip(after).filter(|(a, b)| a.plus_s(GIVEN_UP_S) <= *b).collect();
    let silence_of = |at: At| {
        let place = silences.partition_point(|s| s.1 <= at);
        (silences.get(place)?.0 <= at).then_some(place)
    };
    let mut others: Vec<Point> = points.into_values().flatten().collect();
    others.retain(|p| silence_of(p.at).is_some());
    // Where another speaks, the silence is none of the curve's.
    let filled: BTreeSet<usize> = others.iter().filter(|p| p.good).filter_map(|p| silence_of(p.at)).collect();
    shown.retain(|p| p.good || silence_of(p.at).is_none_or(|s| !filled.contains(&s)));
    shown.extend(others);
    shown.sort_by_key(|p| p.at);
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(seconds: std::ops::Range<i64>, celsius: f64) -> Vec<Point> {
        seconds.map(|s| Point { at: At(0).plus_s(s), celsius: Some(celsius), good: true }).collect()
    }

    /// After a restart the curve of a make whose probe had failed began with its spare.
    #[test]
    fn the_curve_is_that_of_the_probe_which_spoke() {
        let silent = (600..1200).map(|s| Point { at: At(0).plus_s(s), celsius: None, good: false });
        let first: Vec<Point> = of(0..600, 30.0).into_iter().chain(silent).collect();
        let points = BTreeMap::from([("first".into(), first), ("spare".into(), of(300..1200, 31.0))]);
        let shown = followed(points.clone(), "spare", (At(0), At(0).plus_s(1200)));
        assert_eq!(shown.iter().map(|p| p.celsius).collect::<Vec<_>>(), {
            let (a, b) = (vec![Some(30.0); 300], vec![Some(31.0); 900]);
            [a, b].concat()
        });
        let shown = followed(points, "first", (At(0), At(0).plus_s(1200)));
        assert!(shown.iter().all(|p| p.good) && shown.len() >= 1200, "{}", shown.len());
        // A lift of a minute is not the other's.
        let lifted: Vec<Point> = of(0..60, 30.0).into_iter().chain(of(120..200, 30.0)).collect();
        let points = BTreeMap::from([("first".into(), lifted), ("spare".into(), of(0..200, 31.0))]);
        assert_eq!(followed(points, "first", (At(0), At(0).plus_s(200))).len(), 140);
    }
}
