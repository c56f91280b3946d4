#![allow(clippy::unwrap_used)] // a test may end here

use super::*;
use crate::engine::probe::Lags;

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
    let trend = |level: f64, per_min: f64| Trend {
        slope: per_min / 60.0,
        var_level: 1.0e-3,
        var_slope: 1.0e-8,
        ..Trend::at(level)
    };
    heat.begin(1000.0, Some(37.6), Stage::Cooking);
    let mut walk = |to_s: i32, per_min: f64| {
        for k in (1000..to_s).step_by(10) {
            let t_s = f64::from(k);
            let level = 33.5 + (t_s - 1000.0) * 0.25 / 60.0;
            let bin = Bin {
                end_s: t_s + 5.0,
                celsius: Some(level),
                mid_s: t_s,
                n: 10,
                var_white: 1.0e-4,
                away: false,
            };
            heat.bin(&bin, 1.0, Some(&trend(level, per_min)), 1.0e-3);
        }
        let level = 33.5 + f64::from(to_s - 1000) * 0.25 / 60.0;
        heat.outlook(&trend(level, per_min), 37.6, 18.0, None)
    };
    assert_eq!(walk(1090, 1.4), None);
    let known = walk(1090, 0.25).unwrap();
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
    let trend = Trend { slope: 0.01, var_level: 1.0e-3, var_slope: 1.0e-8, ..Trend::at(40.0) };
    let (celsius, var_white) = (Some(39.0), 1.0e-4);
    let bin = Bin { end_s: 1010.0, celsius, mid_s: 1005.0, n: 10, var_white, away: false };
    heat.bin(&bin, 1.0, Some(&Trend { level: 39.0, ..trend }), 1.0e-3);
    let o = heat.outlook(&trend, 41.0, 5.0, None).unwrap();
    assert!(o.peak_celsius >= 40.0 && o.heat_off_in_s <= 100.0, "{o:?}");
}
