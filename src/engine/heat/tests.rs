#![allow(clippy::unwrap_used)] // a test may end here

use super::*;
use crate::engine::probe::Lags;

fn trend(level: f64, per_min: f64) -> Trend {
    Trend { slope: per_min / 60.0, var_level: 1.0e-3, var_slope: 1.0e-8, ..Trend::at(level) }
}

/// The bins from `from_s` to `to_s`, rising from `celsius` by `per_min`; where that ends.
fn walk(heat: &mut Heat, (from_s, to_s): (i32, i32), celsius: f64, per_min: f64) -> f64 {
    let level = |t_s: f64| celsius + (t_s - f64::from(from_s)) * per_min / 60.0;
    for k in (from_s..to_s).step_by(10) {
        let t_s = f64::from(k);
        let (celsius, var_white) = (Some(level(t_s)), 1.0e-4);
        let bin = Bin { end_s: t_s + 5.0, celsius, mid_s: t_s, n: 10, var_white, away: false };
        heat.bin(&bin, 1.0, Some(&trend(level(t_s), per_min)), 1.0e-3);
    }
    level(f64::from(to_s))
}

/// The probe is lifted just after the heat came off, and the trend goes with it; what
/// rises when it is back is no fire.
#[test]
fn a_probe_on_its_way_back_calls_nothing() {
    let mut heat = Heat::new(None);
    heat.begin(1000.0, Some(40.2), Stage::Cooking);
    walk(&mut heat, (1000, 1600), 34.0, 0.6);
    walk(&mut heat, (1600, 1620), 40.0, -15.0);
    walk(&mut heat, (1620, 1640), 35.0, 14.0);
    let back = trend(40.0, 3.6);
    assert!(heat.is_unsettled() && heat.outlook(&back, 40.2, 18.0, None).is_none());
    walk(&mut heat, (1640, 1680), 39.8, 0.3);
    assert!(!heat.is_unsettled() && heat.outlook(&trend(40.0, 0.3), 40.2, 18.0, None).is_some());
}

/// Warm whey that the first cuts mix in rises like a cook, is called, and stands; the
/// cook comes ten minutes later.
#[test]
fn a_call_that_came_to_nothing_is_none_for_the_cook() {
    let mut heat = Heat::new(None);
    heat.begin(1000.0, Some(38.0), Stage::Cooking);
    let first = heat.number;
    let mixed = walk(&mut heat, (1000, 1080), 35.2, 0.8);
    heat.called(1080.0, &trend(mixed, 0.8), 18.0);
    walk(&mut heat, (1080, 1300), mixed, 0.0);
    assert!(heat.is_called() && heat.number == first, "it may still come");
    walk(&mut heat, (1300, 1360), mixed, 0.0);
    assert!(!heat.is_called() && heat.calls.is_empty() && heat.number != first);
    // What was told, taken back and told again stays the same heating, where its
    // call came true.
    let mut heat = Heat::new(None);
    heat.begin(100.0, Some(33.0), Stage::Warming);
    heat.begin(1000.0, Some(38.0), Stage::Cooking);
    let first = heat.number;
    let near = walk(&mut heat, (1000, 1300), 35.0, 0.5);
    heat.called(1300.0, &trend(near, 0.5), 18.0);
    let there = walk(&mut heat, (1300, 1360), near, 0.4);
    heat.take_back();
    walk(&mut heat, (1360, 1700), there, 0.0);
    heat.begin(1700.0, Some(38.0), Stage::Cooking);
    assert_eq!(heat.number, first);
}

/// Curd on a fire that gives 0.25 °C/min; after a probe's step the trend holds
/// its slope for 1.4 °C/min, and what a kettle with a long coast would end at
/// seemed to be the target.
#[test]
fn no_fire_leaves_more_than_it_gave() {
    let learned = Learned {
        makes: 3,
        coast_s: 200.0,
        coast_sd_s: 15.0,
        decay_s: 250.0,
        lead_s: 0.0,
        lags: Lags::default(),
    };
    let mut heat = Heat::new(Some(&learned));
    heat.begin(1000.0, Some(37.6), Stage::Cooking);
    walk(&mut heat, (1000, 1090), 33.5, 0.25);
    let rises = |per_min: f64| heat.outlook(&trend(33.9, per_min), 37.6, 18.0, None);
    assert_eq!(rises(1.4), None);
    let known = rises(0.25).unwrap();
    assert!(known.heat_off_in_s > 300.0, "{known:?}");
}

#[test]
fn what_is_said_of_the_heat_holds_until_it_is_said_or_seen_otherwise() {
    let mut heat = Heat::new(None);
    heat.begin(1000.0, Some(33.0), Stage::Warming);
    heat.said(false, 5000.0);
    let off = |heat: &Heat, at_s: [f64; 3], seen: bool| at_s.map(|t_s| heat.is_said_off(t_s, seen));
    assert_eq!(off(&heat, [5010.0, 5130.0, 5310.0], true), [true, false, false]);
    assert_eq!(off(&heat, [5010.0, 5130.0, 5310.0], false), [true, true, false]);
    // The cook that it is about is told a minute later; the next one began after it.
    heat.begin(4000.0, Some(41.0), Stage::Cooking);
    assert!(heat.is_said_off(5070.0, true));
    heat.begin(5060.0, Some(53.0), Stage::Cooking);
    assert!(!heat.is_said_off(5070.0, true));
    heat.said(false, 5080.0);
    heat.said(true, 5090.0);
    assert!(!heat.is_said_off(5100.0, true));
}

/// Called for 41 °C; then the maker wants 43.
#[test]
fn a_call_before_a_higher_target_is_no_call_for_it() {
    let mut heat = Heat::new(None);
    let rising = Trend { slope: 0.01, ..Trend::at(40.0) };
    heat.begin(1000.0, Some(41.0), Stage::Cooking);
    heat.called(1500.0, &rising, 18.0);
    heat.retarget(None);
    heat.retarget(Some(40.5));
    assert_eq!(heat.calls, [(1000.0, 1500.0)], "lower: it was the call for that too");
    heat.retarget(Some(43.0));
    assert!(heat.calls.is_empty() && !heat.is_called());
    heat.called(1800.0, &rising, 18.0);
    assert_eq!(heat.calls, [(1000.0, 1800.0)]);
}

/// A kettle's file by hand: no coast to speak of, and a call a minute later.
#[test]
fn nothing_is_foreseen_below_what_is_there() {
    let lags = Lags::default();
    let learned =
        Learned { makes: 1, coast_s: 0.0, coast_sd_s: 0.0, decay_s: 10.0, lead_s: *LEAD_S.start(), lags };
    let mut heat = Heat::new(Some(&learned));
    heat.begin(1000.0, Some(41.0), Stage::Cooking);
    walk(&mut heat, (1000, 1010), 39.0, 0.6);
    let o = heat.outlook(&trend(40.0, 0.6), 41.0, 5.0, None).unwrap();
    assert!(o.peak_celsius >= 40.0 && o.heat_off_in_s <= 100.0, "{o:?}");
}
