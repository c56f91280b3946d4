//! What an inspector should see first: gaps in the trace, and deviations. Pure.

use super::at::At;
use super::gather::Gathered;
use super::record::{AlarmDone, CookDone, Gap, Instrument, LimitDone, PlanDone, Record};
use crate::words::Words;

/// Between two good readings so long is a gap, seconds; a slower probe has five
/// of its own intervals.
const GAP_S: f64 = 20.0;

/// A gap worth a line at the top of the sheet, minutes.
const GAP_WORTH_MIN: f64 = 1.0;

/// A shorter gap is told to the second, minutes.
const SHORT_GAP_MIN: f64 = 10.0;

/// Figures are hundredths; half of one keeps 41.5 over 41 by 0.5 within 0.5.
const HALF_A_FIGURE: f64 = 0.005;

/// An alarm over the target belongs to the cook whose peak is so near in time,
/// minutes.
const SAME_HEATING_MIN: f64 = 30.0;

/// The calls of a make that goes as it should: they are no deviations.
const CALLS: [&str; 5] = ["get-ready", "heat-off", "at-target", "curd-check", "hold-done"];

/// The times without a good reading, by probe.
pub fn gaps(found: &Gathered) -> Vec<Gap> {
    let mut gaps = Vec::new();
    for (probe, points) in &found.points {
        let good: Vec<At> = points.iter().filter(|p| p.good && p.celsius.is_some()).map(|p| p.at).collect();
        let limit_s = GAP_S.max(5.0 * usual_interval_s(&good));
        for pair in good.windows(2) {
            if pair[1].minutes_since(pair[0]) * 60.0 > limit_s {
                let (from, to) = (pair[0], pair[1]);
                let stopped = found.resumed.iter().any(|at| (from..=to).contains(at));
                let said = found.reasons.range((probe.clone(), from)..(probe.clone(), to)).next();
                let why = match said {
                    _ if stopped => "the program was not running".into(),
                    Some((_, why)) => why.clone(),
                    None => "no reading came".into(),
                };
                gaps.push(Gap { probe: probe.clone(), from, to, why });
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
pub fn deviations(record: &Record, words: &Words) -> Vec<String> {
    let mut found = Vec::new();
    // A cheese too young to leave is no deviation.
    let young = |l: &LimitDone| l.found.starts_with("not before");
    for limit in record.limits.iter().filter(|l| l.verdict != "pass" && !young(l)) {
        let key = if limit.verdict == "fail" { "found-limit-fail" } else { "found-limit-not-known" };
        let (is, was) = (limit.limit_in(words), limit.found_in(words));
        found.push(words.say(key, &[("name", &limit.name), ("limit", &is), ("found", &was)]));
    }
    found.extend(cooks(record, words));
    found.extend(plans(record, words));
    found.extend(alarms(record, words));
    found.extend(record.instruments.iter().filter_map(|i| calibration(record, i, words)));
    found.extend(record.gaps.iter().filter(|g| is_worth_a_line(g)).map(|g| gap(record, g, words)));
    for (stretch, n) in record.stretches.iter().filter_map(|s| Some((s, s.out_of_range?))) {
        let values = [("probe", stretch.probe.as_str()), ("n", &n.to_string())];
        found.push(words.say("found-out-of-range", &values));
    }
    if !record.journal_damage.is_empty() {
        found.push(words.say("found-damage", &[("files", &record.journal_damage.join(", "))]));
    }
    for (key, n) in [("found-redated", record.readings_redated), ("found-undated", record.readings_undated)] {
        found.extend(n.map(|n| words.say(key, &[("n", &n.to_string())])));
    }
    for stretch in record.stretches.iter().filter(|s| !s.also_in.is_empty()) {
        let values = [("probe", stretch.probe.as_str()), ("lots", &stretch.also_in.join(", "))];
        found.push(words.say("found-shared", &values));
    }
    if record.is_closed() && record.stretches.is_empty() {
        found.push(words.word("found-no-trace"));
    }
    found
}

/// What an instrument lacks whose calibration was due, or that never had one and needs it.
fn calibration(record: &Record, i: &Instrument, words: &Words) -> Option<String> {
    if i.calibration_needed {
        return Some(words.say("found-never-calibrated", &[("probe", &i.probe)]));
    }
    let due = i.due().filter(|due| *due <= record.day().as_str())?;
    Some(words.say("found-calibration-due", &[("probe", &i.probe), ("day", due)]))
}

/// Cooks that ended elsewhere than they should.
fn cooks(record: &Record, words: &Words) -> Vec<String> {
    let (zone, tolerance) = (record.zone(), tolerance_celsius(record));
    let mut found = Vec::new();
    for cook in &record.cooks {
        let Some((over, target)) = cook.over_celsius().zip(cook.target_celsius) else { continue };
        let key = if is_over(cook, tolerance) {
            "found-cook-over"
        } else if over < -tolerance - HALF_A_FIGURE {
            "found-cook-short"
        } else {
            continue;
        };
        let celsius = words.number(cook.peak_celsius, 1);
        let peak = match cook.peak {
            Some(at) => words.say("found-peak-at", &[("celsius", &celsius), ("at", &at.clock(&zone))]),
            None => format!("{celsius} °C"),
        };
        let (over, target) = (words.number(over.abs(), 1), words.number(target, 1));
        found.push(words.say(key, &[("peak", &peak), ("over", &over), ("target", &target)]));
    }
    found
}

/// Plans chosen, or put aside, in the middle of the make: targets changed with them.
fn plans(record: &Record, words: &Words) -> Vec<String> {
    let (zone, stages) = (record.zone(), &record.stages);
    let Some((first, last)) = stages.first().zip(stages.last()) else { return Vec::new() };
    let under_way = |p: &&PlanDone| first.began < p.at && last.ended.is_none_or(|end| p.at < end);
    let told = |p: &PlanDone| {
        let (at, by) = (p.at.clock(&zone), p.by.clone().unwrap_or_else(|| words.word("sheet-somebody")));
        match &p.plan {
            Some(plan) => words.say("found-plan-other", &[("plan", plan), ("at", &at), ("by", &by)]),
            None => words.say("found-plan-none", &[("at", &at), ("by", &by)]),
        }
    };
    record.plans.iter().filter(under_way).map(told).collect()
}

fn gap(record: &Record, gap: &Gap, words: &Words) -> String {
    let (zone, minutes) = (record.zone(), gap.to.minutes_since(gap.from));
    // To the second where minutes alone would not bear out how long it was.
    let clock = |at: At| if minutes < SHORT_GAP_MIN { at.clock_s(&zone) } else { at.clock(&zone) };
    let values = [
        ("probe", gap.probe.as_str()),
        ("from", &clock(gap.from)),
        ("to", &clock(gap.to)),
        ("min", &words.number(minutes, 0)),
        ("why", &words.reason(&gap.why)),
    ];
    words.say("found-gap", &values)
}

/// Where nothing was found: what was looked at, so that nobody takes it for
/// more.
pub fn looked_at(record: &Record, words: &Words) -> String {
    if record.stretches.is_empty() {
        return words.word("found-nothing-read");
    }
    let mut what = Vec::new();
    if record.cooks.iter().any(|c| c.target_celsius.is_some()) {
        let within = words.figure(tolerance_celsius(record));
        what.push(words.say("found-looked-cooks", &[("celsius", &within)]));
    }
    what.push(words.word("found-looked-alarms"));
    what.push(words.word("found-looked-gaps"));
    if !record.limits.is_empty() {
        what.push(words.say("found-looked-limits", &[("n", &record.limits.len().to_string())]));
    }
    words.say("found-nothing", &[("what", &what.join("; "))])
}

/// How far beyond its target a cook may end by the lot's plan, °C.
pub fn tolerance_celsius(record: &Record) -> f64 {
    plan_number(record, "tolerance-celsius").unwrap_or(0.5)
}

fn is_over(cook: &CookDone, tolerance: f64) -> bool {
    cook.over_celsius().is_some_and(|over| over > tolerance + HALF_A_FIGURE)
}

fn is_worth_a_line(gap: &Gap) -> bool {
    gap.to.minutes_since(gap.from) >= GAP_WORTH_MIN
}

/// What alarms told of that was not as planned, one line a kind, and calls
/// that nobody took.
fn alarms(record: &Record, words: &Words) -> Vec<String> {
    let zone = record.zone();
    let mut kinds: Vec<&str> = Vec::new();
    for a in &record.alarms {
        if !kinds.contains(&a.alarm.as_str()) {
            kinds.push(&a.alarm);
        }
    }
    let mut found = Vec::new();
    for kind in kinds {
        let counts = |a: &&AlarmDone| {
            a.alarm == kind && is_of_its_time(a, record) && (is_untaken(a) || !is_told_already(a, record))
        };
        let of: Vec<&AlarmDone> = record.alarms.iter().filter(counts).collect();
        let Some(gravest) = of.iter().copied().reduce(graver) else { continue };
        let times: Vec<String> = of.iter().map(|a| a.raised.clock(&zone)).collect();
        let untaken = of.iter().filter(|a| is_untaken(a)).count();
        let key = match untaken {
            0 => "found-alarm",
            n if n == of.len() => "found-alarm-untaken",
            _ => "found-alarm-some-untaken",
        };
        let text = gravest.said_in(words);
        // What can be done about it comes after what is.
        let says = text.split(". ").next().unwrap_or_default().trim_end_matches('.');
        let values = [
            ("alarm", words.one_of("alarm", kind)),
            ("times", times.join(", ")),
            ("n", untaken.to_string()),
            ("says", says.to_owned()),
        ];
        let values = values.each_ref().map(|(name, v)| (*name, v.as_str()));
        found.push(words.say(key, &values));
    }
    found
}

/// Of two alarms of a kind the one that was further beyond its limit; else the first.
fn graver<'a>(a: &'a AlarmDone, b: &'a AlarmDone) -> &'a AlarmDone {
    let beyond = |a: &AlarmDone| a.celsius.zip(a.limit_celsius).map_or(0.0, |(is, limit)| (is - limit).abs());
    if beyond(b) > beyond(a) { b } else { a }
}

/// Whether an alarm was raised in the lot's own time. A daemon that starts says
/// what it was silent about meanwhile, as of then; that is not held against the
/// make.
fn is_of_its_time(a: &AlarmDone, record: &Record) -> bool {
    let mut stretches = record.stretches.iter();
    record.stretches.is_empty() || stretches.any(|s| s.from <= a.raised && a.raised < s.to)
}

fn is_untaken(a: &AlarmDone) -> bool {
    // What only showed asked nobody to come.
    a.priority == "high" && a.taken.is_none() && a.sounds != Some(false)
}

/// Whether an alarm that was taken is no deviation, or one that another line
/// tells of.
fn is_told_already(a: &AlarmDone, record: &Record) -> bool {
    let near = |c: &&CookDone| c.peak.is_some_and(|p| p.minutes_since(a.raised).abs() < SAME_HEATING_MIN);
    match a.alarm.as_str() {
        "over-target" => record.cooks.iter().filter(near).any(|c| is_over(c, tolerance_celsius(record))),
        "probe-fault" | "probe-silent" => {
            record.gaps.iter().any(|g| is_worth_a_line(g) && g.from <= a.raised && a.raised <= g.to)
        }
        call => CALLS.contains(&call),
    }
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
    use crate::lot::record::Stretch;

    fn english(record: &Record) -> Vec<String> {
        deviations(record, Words::of("en"))
    }

    #[test]
    fn gaps_are_where_no_good_reading_is() {
        let mut found = Gathered::default();
        let point = |s: i64, celsius| Point { at: At(s * 1_000_000_000), celsius, good: celsius.is_some() };
        let mut points: Vec<Point> = (0..60).map(|s| point(s, Some(30.0))).collect();
        points.extend((60..100).map(|s| point(s, None)));
        points.extend((100..160).map(|s| point(s, Some(31.0))));
        points.extend((400..410).map(|s| point(s, Some(31.0))));
        points.extend((700..710).map(|s| point(s, Some(31.0))));
        found.resumed.push(At(699_000_000_000));
        found.reasons.insert(("p".into(), At(60_000_000_000)), "unplugged".into());
        found.points.insert("p".into(), points);
        let gaps = gaps(&found);
        let seen: Vec<_> =
            gaps.iter().map(|g| (g.from.0 / 1_000_000_000, g.to.0 / 1_000_000_000, g.why.as_str())).collect();
        let off = "the program was not running";
        assert_eq!(seen, [(59, 100, "unplugged"), (159, 400, "no reading came"), (409, 700, off)]);
        // A probe that reads once a minute has no gap at each reading.
        let slow: Vec<Point> = (0..60).map(|m| point(m * 60, Some(8.0))).collect();
        found.points = [("tank".to_string(), slow)].into();
        assert!(super::gaps(&found).is_empty());
    }

    #[test]
    fn deviations_name_the_cook_the_untaken_alarm_and_the_gap() {
        let mut r = Record::default();
        r.cooks.push(CookDone { target_celsius: Some(41.0), peak_celsius: 41.5, ..CookDone::default() });
        assert!(english(&r).is_empty(), "{:?}", english(&r));
        r.cooks[0].peak_celsius = 42.2;
        r.alarms.push(AlarmDone {
            alarm: "heat-off".into(),
            priority: "high".into(),
            ..AlarmDone::default()
        });
        r.alarms.push(AlarmDone { alarm: "curd-check".into(), sounds: Some(false), ..r.alarms[0].clone() });
        r.gaps.push(Gap { probe: "p".into(), to: At(240_000_000_000), ..Gap::default() });
        // 18:38 to 18:40 was one minute.
        r.gaps.push(Gap {
            probe: "q".into(),
            from: At(239_000_000_000),
            to: At(301_000_000_000),
            ..Gap::default()
        });
        let found = english(&r).join("\n");
        for says in [
            "1.2 °C over its target of 41.0",
            "Fire off",
            "nobody",
            "(4 min)",
            "from 00:03:59 to 00:05:01 (1 min)",
        ] {
            assert!(found.contains(says), "{found}");
        }
        assert!(!found.contains("Look at the curd"), "{found}");
    }

    /// An alarm over the target sounded while the milk warmed, and the sheet
    /// said that no deviation was found.
    #[test]
    fn an_alarm_that_is_no_call_is_a_deviation() {
        let at = |m: i64| At(m * 60_000_000_000);
        let alarm = |name: &str, minute| AlarmDone {
            alarm: name.into(),
            priority: "high".into(),
            raised: at(minute),
            taken: Some(at(minute + 1)),
            text: "Too hot: 33.4 °C, 32.5 °C wanted. Heat off if it is still on.".into(),
            ..AlarmDone::default()
        };
        let mut r = Record { time_zone: "UTC".into(), ..Record::default() };
        r.alarms.extend(CALLS.map(|call| alarm(call, 9)));
        assert_eq!(english(&r), [""; 0]);
        r.alarms.extend([alarm("over-target", 10), alarm("over-target", 15)]);
        assert_eq!(english(&r), ["Alarm “Too hot” at 00:10, 00:15: Too hot: 33.4 °C, 32.5 °C wanted"]);
        // One from before its trace, which a daemon told of when it started.
        let mut before = r.clone();
        before.stretches.push(Stretch { from: at(12), to: at(60), ..Stretch::default() });
        assert_eq!(english(&before), ["Alarm “Too hot” at 00:15: Too hot: 33.4 °C, 32.5 °C wanted"]);
        // The cook's own line tells of it, and the gap's of a silent probe.
        let mut told = r.clone();
        told.cooks.push(CookDone {
            target_celsius: Some(32.5),
            peak_celsius: 33.4,
            peak: Some(at(20)),
            ..CookDone::default()
        });
        told.alarms.push(alarm("probe-silent", 42));
        told.gaps.push(Gap { probe: "p".into(), from: at(41), to: at(45), why: "no reading came".into() });
        assert_eq!(english(&told).len(), 2, "{:?}", english(&told));
        // Short of a gap's minute the silence still counts.
        told.gaps[0].to = at(41);
        assert!(english(&told).join("").contains("Probe silent” at 00:42"), "{:?}", english(&told));
        told.alarms[5].taken = None;
        assert!(english(&told).join("").contains("Too hot” at 00:10, taken by nobody"));
    }
}
