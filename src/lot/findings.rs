//! What an inspector should see first: gaps in the trace, and deviations. Pure.

use super::at::At;
use super::gather::Gathered;
use super::record::{Gap, Record};

/// Between two good readings so long is a gap, seconds; a slower probe has five
/// of its own intervals.
const GAP_S: f64 = 20.0;

/// A gap worth a line at the top of the sheet, minutes.
const GAP_WORTH_MIN: f64 = 1.0;

/// The times without a good reading, by probe.
pub fn gaps(found: &Gathered) -> Vec<Gap> {
    let mut gaps = Vec::new();
    for (probe, points) in &found.points {
        let good: Vec<At> = points.iter().filter(|p| p.good && p.celsius.is_some()).map(|p| p.at).collect();
        let limit_s = GAP_S.max(5.0 * usual_interval_s(&good));
        for pair in good.windows(2) {
            if pair[1].minutes_since(pair[0]) * 60.0 > limit_s {
                let why = found
                    .reasons
                    .range((probe.clone(), pair[0])..(probe.clone(), pair[1]))
                    .next()
                    .map_or_else(|| "no reading came".into(), |(_, why)| why.clone());
                gaps.push(Gap { probe: probe.clone(), from: pair[0], to: pair[1], why });
            }
        }
    }
    gaps
}

fn usual_interval_s(good: &[At]) -> f64 {
    let mut between: Vec<i64> = good.windows(2).map(|w| w[1].0 - w[0].0).collect();
    if between.is_empty() {
        return 0.0;
    }
    let middle = between.len() / 2;
    let (_, median, _) = between.select_nth_unstable(middle);
    *median as f64 / 1e9
}

/// What is to be looked at first, worst first, in words.
pub fn deviations(record: &Record) -> Vec<String> {
    let zone = record.zone();
    let mut found = Vec::new();
    // A cheese too young to leave is no deviation.
    let young = |found: &str| found.starts_with("not before");
    for limit in record.limits.iter().filter(|l| l.verdict != "pass" && !young(&l.found)) {
        let word = if limit.verdict == "fail" { "Limit not kept" } else { "Limit not known to be kept" };
        found.push(format!("{word}: {} ({}): {}", limit.name, limit.limit, limit.found));
    }
    let tolerance = plan_number(record, "tolerance-celsius").unwrap_or(0.5);
    for cook in &record.cooks {
        let over = cook.peak_celsius - cook.target_celsius;
        let at = cook.peak.map(|p| format!(" at {}", p.clock(&zone))).unwrap_or_default();
        // Figures are hundredths; half of one keeps 41.5 over 41 by 0.5 within 0.5.
        if over > tolerance + 0.005 {
            found.push(format!(
                "Cook went to {:.1} °C{at}, {over:.1} °C over its target of {:.1} °C",
                cook.peak_celsius, cook.target_celsius
            ));
        } else if over < -tolerance - 0.005 {
            found.push(format!(
                "Cook ended at {:.1} °C{at}, {:.1} °C short of its target of {:.1} °C",
                cook.peak_celsius, -over, cook.target_celsius
            ));
        }
    }
    for a in record.alarms.iter().filter(|a| a.priority == "high" && a.taken.is_none()) {
        found.push(format!("Alarm {} at {} was taken by nobody: {}", a.alarm, a.raised.clock(&zone), a.text));
    }
    for gap in record.gaps.iter().filter(|g| g.to.minutes_since(g.from) >= GAP_WORTH_MIN) {
        found.push(format!(
            "No good reading of probe {} from {} to {} ({:.0} min): {}",
            gap.probe,
            gap.from.clock(&zone),
            gap.to.clock(&zone),
            gap.to.minutes_since(gap.from),
            gap.why
        ));
    }
    for stretch in record.stretches.iter().filter(|s| !s.also_in.is_empty()) {
        found.push(format!(
            "A part of probe {}'s trace belongs to {} too",
            stretch.probe,
            stretch.also_in.join(", ")
        ));
    }
    if record.is_closed() && record.stretches.is_empty() {
        found.push("No trace was recorded".into());
    }
    found
}

/// A number of the lot's plan.
pub fn plan_number(record: &Record, key: &str) -> Option<f64> {
    number(record.plan.as_ref()?.get(key)?)
}

/// A TOML number, whole or not.
pub fn number(value: &toml::Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|i| i as f64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lot::gather::Point;
    use crate::lot::record::{AlarmDone, CookDone};

    #[test]
    fn gaps_are_where_no_good_reading_is() {
        let mut found = Gathered::default();
        let point = |s: i64, celsius| Point { at: At(s * 1_000_000_000), celsius, good: celsius.is_some() };
        let mut points: Vec<Point> = (0..60).map(|s| point(s, Some(30.0))).collect();
        points.extend((60..100).map(|s| point(s, None)));
        points.extend((100..160).map(|s| point(s, Some(31.0))));
        points.extend((400..410).map(|s| point(s, Some(31.0))));
        found.reasons.insert(("p".into(), At(60_000_000_000)), "unplugged".into());
        found.points.insert("p".into(), points);
        let gaps = gaps(&found);
        let seen: Vec<_> =
            gaps.iter().map(|g| (g.from.0 / 1_000_000_000, g.to.0 / 1_000_000_000, g.why.as_str())).collect();
        assert_eq!(seen, [(59, 100, "unplugged"), (159, 400, "no reading came")]);
        // A probe that reads once a minute has no gap at each reading.
        let slow: Vec<Point> = (0..60).map(|m| point(m * 60, Some(8.0))).collect();
        found.points = [("tank".to_string(), slow)].into();
        assert!(super::gaps(&found).is_empty());
    }

    #[test]
    fn deviations_name_the_cook_the_untaken_alarm_and_the_gap() {
        let mut r = Record::default();
        r.cooks.push(CookDone { target_celsius: 41.0, peak_celsius: 41.5, ..CookDone::default() });
        assert!(deviations(&r).is_empty(), "{:?}", deviations(&r));
        r.cooks[0].peak_celsius = 42.2;
        r.alarms.push(AlarmDone {
            alarm: "heat-off".into(),
            priority: "high".into(),
            ..AlarmDone::default()
        });
        r.gaps.push(Gap { probe: "p".into(), to: At(240_000_000_000), ..Gap::default() });
        let found = deviations(&r).join("\n");
        for says in ["1.2 °C over its target of 41.0", "heat-off", "nobody", "(4 min)"] {
            assert!(found.contains(says), "{found}");
        }
    }
}
