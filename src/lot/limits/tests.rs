//! The limits against published pairs and orders.

use super::*;
use crate::config::fault::listed;
use crate::lot::record::LimitDone;
use crate::lot::store::Store;

/// Readings every `step_s` of a temperature held between two coolings.
fn held(celsius: f64, hold_s: f64, step_s: f64) -> BTreeMap<String, Vec<Point>> {
    let at = |s: f64| At((s * 1e9).round() as i64);
    let steps = (hold_s / step_s).round() as i64;
    let mut points: Vec<Point> = Vec::new();
    let mut put = |s: f64, c: f64| points.push(Point { at: at(s), celsius: Some(c), good: true });
    put(0.0, 20.0);
    for n in 0..=steps {
        put(10.0 + n as f64 * step_s, celsius);
    }
    put(20.0 + hold_s, 20.0);
    [("k".to_string(), points)].into()
}

fn faults(text: &str) -> String {
    listed(&Limits::parse(text, "limits.toml").unwrap_err())
}

fn verdict(toml: &str, points: &BTreeMap<String, Vec<Point>>) -> &'static str {
    let text = format!("[[limit]]\nname = \"n\"\nsource = \"s\"\n{toml}");
    let limit = &Limits::parse(&text, "limits.toml").unwrap().limits[0];
    limit.judge(&Record { kettle: "k".into(), ..Record::default() }, points, At(0)).word()
}

#[test]
fn the_published_pairs_of_time_and_temperature() {
    // US Pasteurized Milk Ordinance, definition of pasteurization, milk under
    // 10 % fat, °F and seconds as the law prints them (four texts read agree:
    // MCL 288.697, 25 TAC 217.1(68)(A), Minn. R. 1525.2630).
    for (f, s) in [
        (145.0, 1800.0),
        (161.0, 15.0),
        (191.0, 1.0),
        (194.0, 0.5),
        (201.0, 0.1),
        (204.0, 0.05),
        (212.0, 0.01),
    ] {
        let c: f64 = (f - 32.0) / 1.8;
        let rule = format!("at-least-celsius = {c}\nfor-seconds = {s:?}");
        assert_eq!(verdict(&rule, &held(c, s, s / 20.0)), "pass", "{f} °F for {s} s");
        assert_eq!(verdict(&rule, &held(c, s * 0.95, s / 20.0)), "fail", "{f} °F, 5 % short of {s} s");
        assert_eq!(verdict(&rule, &held(c - 0.01, s, s / 20.0)), "fail", "a hair under {f} °F");
    }
}

#[test]
fn no_limit_speaks_of_what_is_no_number() {
    let named = "[[limit]]\nname = \"n\"\nsource = \"s\"\n";
    for wrong in ["at-most-celsius = nan", "at-least-celsius = inf\nfor-seconds = 5.0", "ph-at-most = -inf"] {
        let said = faults(&format!("{named}{wrong}\n"));
        assert!(said.starts_with("limits.toml:4: ") && said.contains("is no number"), "{said}");
    }
    // A z so small that the sum is more than a number can hold.
    let small =
        format!("{named}log-reductions = 6.0\nd-seconds = 1e-300\nat-celsius = 72.0\nz-celsius = 1e-3\n");
    let limit = &Limits::parse(&small, "limits.toml").unwrap().limits[0];
    let record = Record { kettle: "k".into(), ..Record::default() };
    let verdict = limit.judge(&record, &held(90.0, 60.0, 1.0), At(0));
    assert_eq!((verdict.word(), verdict.found_words().as_str()), ("pass", "999.0 log10"));
}

#[test]
fn lethality_gives_the_same_for_equivalent_holds() {
    // The two classic pairs, 145 °F for 30 min and 161 °F for 15 s, are one
    // treatment for z = 16/1.8 / log10(120) = 4.275 °C (computed from the
    // pairs above). With D = 1.5 s at 161 °F both give 10 log10.
    let (hot, low) = ((161.0 - 32.0) / 1.8, (145.0 - 32.0) / 1.8);
    let z: f64 = (hot - low) / (1800f64 / 15.0).log10();
    let rule =
        |n: f64| format!("log-reductions = {n:?}\nd-seconds = 1.5\nat-celsius = {hot}\nz-celsius = {z}");
    for (c, s) in [(hot, 15.0), (low, 1800.0)] {
        assert_eq!(verdict(&rule(9.99), &held(c, s, s / 100.0)), "pass", "{c}");
        assert_eq!(verdict(&rule(10.2), &held(c, s, s / 100.0)), "fail", "{c}");
    }
}

#[test]
fn stored_milk_both_ways() {
    // Swiss milk hygiene ordinance SR 916.351.021.1: cheese milk at most
    // 18 °C, above 8 °C for at most 24 h (official German text read).
    let hours = |c: f64, h: f64| {
        let n = (h * 60.0) as i64;
        let p = (0..=n).map(|m| Point { at: At(m * 60_000_000_000), celsius: Some(c), good: true });
        BTreeMap::from([("k".to_string(), p.collect::<Vec<_>>())])
    };
    let above_8 = "at-most-celsius = 8.0\nbut-for-minutes = 1440.0";
    assert_eq!(verdict(above_8, &hours(12.0, 23.0)), "pass");
    assert_eq!(verdict(above_8, &hours(12.0, 25.0)), "fail");
    assert_eq!(verdict("at-most-celsius = 18.0", &hours(18.0, 5.0)), "pass");
    assert_eq!(verdict("at-most-celsius = 18.0", &hours(18.1, 5.0)), "fail");
}

#[test]
fn a_gap_makes_it_not_known_and_never_pass() {
    let mut points = held(73.0, 20.0, 1.0);
    points.get_mut("k").unwrap().retain(|p| !(14..26).contains(&(p.at.0 / 1_000_000_000)));
    for p in points.get_mut("k").unwrap().iter_mut().filter(|p| p.at.0 >= 26_000_000_000) {
        p.at = p.at.plus_s(60);
    }
    assert_eq!(verdict("at-least-celsius = 72.0\nfor-seconds = 15.0", &points), "not-known");
    let mut night = held(7.0, 3600.0 * 8.0, 60.0);
    night.get_mut("k").unwrap().retain(|p| !(3600..9000).contains(&(p.at.0 / 1_000_000_000)));
    night.get_mut("k").unwrap().retain(|p| p.celsius.unwrap() < 8.0);
    assert_eq!(verdict("at-most-celsius = 8.0", &night), "not-known");
    assert_eq!(verdict("at-most-celsius = 8.0\ngap-minutes = 120.0", &night), "pass");
    assert_eq!(verdict("at-most-celsius = 8.0", &BTreeMap::new()), "not-known");
}

#[test]
fn ph_and_days() {
    use crate::lot::record::{Mark, Ph};
    let h = |h: f64| At((h * 3600e9) as i64);
    let mut r = Record { kettle: "k".into(), ..Record::default() };
    let limit = |t: &str| {
        Limits::parse(&format!("[[limit]]\nname=\"n\"\nsource=\"s\"\n{t}"), "limits.toml").unwrap().limits[0]
            .clone()
    };
    // pH at 6 h at most 5.8 for uncooked semi-hard raw-milk cheese: Delbès
    // et al., J. Food Prot. 69 (2006) 2161, as read.
    let six = limit("ph-at-most = 5.8\nafter-hours = 6.0");
    r.marks.push(Mark { at: h(0.0), name: "rennet".into(), ..Mark::default() });
    assert_eq!(six.judge(&r, &BTreeMap::new(), h(9.0)).word(), "not-known");
    r.ph.push(Ph { at: h(6.2), value: 5.8, by: None });
    assert_eq!(six.judge(&r, &BTreeMap::new(), h(9.0)).word(), "pass");
    r.ph[0].value = 6.5;
    assert_eq!(six.judge(&r, &BTreeMap::new(), h(9.0)).word(), "fail");
    // 21 CFR 133: 60 days; made on 1 July, earliest 30 August.
    r.opened = "2026-07-01T05:00:00Z".parse().unwrap();
    let sixty = limit("days = 60");
    let at = |t: &str| t.parse::<At>().unwrap();
    let v = sixty.judge(&r, &BTreeMap::new(), at("2026-08-29T05:00:00Z"));
    assert_eq!((v.word(), v.found_words().as_str()), ("not-known", "not before 2026-08-30"));
    assert_eq!(sixty.judge(&r, &BTreeMap::new(), at("2026-08-30T05:00:00Z")).word(), "pass");
}

/// A lot opened for a make that was over was counted young by the days between.
#[test]
fn the_age_counts_from_the_make_and_not_from_the_opening() {
    let at = |t: &str| t.parse::<At>().unwrap();
    let limit =
        &Limits::parse("[[limit]]\nname=\"n\"\nsource=\"s\"\ndays = 60", "limits.toml").unwrap().limits[0];
    let made = Some(at("2026-07-01T05:00:00Z"));
    let r = Record { opened: at("2026-07-20T09:00:00Z"), made, ..Record::default() };
    let judge = |now| limit.judge(&r, &BTreeMap::new(), at(now)).found_words();
    assert_eq!(judge("2026-08-29T05:00:00Z"), "not before 2026-08-30");
    assert_eq!(limit.judge(&r, &BTreeMap::new(), at("2026-08-30T05:00:00Z")).word(), "pass");
}

/// Two cooks with other work between. The second's hold was counted from where
/// the first one's had begun, each on its own count of seconds, so that a gap
/// in it was left out and the verdict was "fail".
#[test]
fn a_hold_does_not_go_on_from_one_stage_into_another() {
    use crate::lot::record::StageDone;
    let at = |s: i64| At(s * 1_000_000_000);
    let stage = |name: &str, from, to| StageDone {
        stage: name.into(),
        began: at(from),
        ended: Some(at(to)),
        ..StageDone::default()
    };
    let stages = vec![stage("cooking", 0, 100), stage("stirring", 100, 200), stage("cooking", 200, 300)];
    let r = Record { kettle: "k".into(), stages, ..Record::default() };
    let verdict = |hot: std::ops::Range<i64>, gap: std::ops::Range<i64>, for_s: u32| {
        let text = format!(
            "[[limit]]\nname=\"n\"\nsource=\"s\"\nstages=[\"cooking\"]\nat-least-celsius=40.0\nfor-seconds={for_s}.0"
        );
        let celsius = |s: i64| if (70..200).contains(&s) || hot.contains(&s) { 41.0 } else { 35.0 };
        let there = (0..=300).filter(|s| !gap.contains(s));
        let points: Vec<Point> =
            there.map(|s| Point { at: at(s), celsius: Some(celsius(s)), good: true }).collect();
        Limits::parse(&text, "limits.toml").unwrap().limits[0]
            .judge(&r, &[("k".to_string(), points)].into(), at(400))
            .word()
    };
    assert_eq!(verdict(200..301, 0..0, 100), "pass");
    assert_eq!(verdict(200..301, 240..270, 90), "not-known");
    assert_eq!(verdict(200..291, 240..270, 91), "fail");
    // At its beginning and at its end, too, a gap may hide a part of it.
    assert_eq!(verdict(200..301, 200..230, 90), "not-known");
    assert_eq!(verdict(200..301, 270..301, 90), "not-known");
    assert_eq!(verdict(0..0, 200..260, 50), "fail");
}

#[test]
fn faults_say_what_is_missing() {
    for (text, says) in [
        ("name = \"n\"\nat-most-celsius = 8", "no source"),
        ("name = \"n\"\nsource = \"s\"", "exactly one of"),
        ("name = \"n\"\nsource = \"s\"\ndays = 60\nph-at-most = 5.8", "exactly one of"),
        ("name = \"n\"\nsource = \"s\"\nlog-reductions = 5", "d-seconds"),
        ("name = \"n\"\nsource = \"s\"\nat-most-celcius = 8", "did you mean at-most-celsius?"),
    ] {
        let said = faults(&format!("[[limit]]\n{text}\n"));
        assert!(said.contains(says), "{said}");
    }
}

/// A stage that is none was no fault, and its limit was never judged; of two faults
/// the first was told.
#[test]
fn every_fault_is_told_with_the_words_that_are_known() {
    let text = "[[limit]]\nname = \"n\"\nsource = \"s\"\nstages = [\"cookin\", \"stirring\"]\n\
                at-most-celsius = 43\n[[limit]]\nnme = \"n\"\nsource = \"s\"\ndays = \"sixty\"\n";
    let said = faults(text);
    for says in [
        "limits.toml:4: stages has \"cookin\"",
        "cooking, stirring",
        "limits.toml:7: ",
        "did you mean name?",
        "limits.toml:9: ",
    ] {
        assert!(said.contains(says), "{says}: {said}");
    }
}

#[test]
fn the_shipped_example_is_well() {
    let limits = Limits::parse(include_str!("../../../config/limits.toml"), "limits.toml").unwrap();
    assert_eq!(limits.limits.len(), 6);
}

/// One that was closed before its limits were kept in it is judged by those of today once
/// more, and from then on by them.
#[test]
fn an_older_lot_has_the_limits_of_the_day_it_is_next_sealed() {
    let dir = tempfile::tempdir().unwrap();
    let file = |most: f64| {
        let text = format!("[[limit]]\nname = \"n\"\nsource = \"s\"\nat-most-celsius = {most:?}\n");
        std::fs::write(dir.path().join(FILE), text).unwrap();
    };
    let (store, points) = (Store::on_disk(dir.path()), held(60.0, 60.0, 1.0));
    let old =
        "kettle = \"k\"\nclosed = \"2026-07-01T05:00:00Z\"\n[[limit]]\nname = \"n\"\nverdict = \"fail\"\n";
    let mut lot = Record::from_toml(old).unwrap();
    for (most, verdict) in [(70.0, "pass"), (50.0, "pass")] {
        file(most);
        store.judge(&mut lot, &points, At(5_000_000));
        lot = Record::from_toml(&lot.to_toml().unwrap()).unwrap();
        assert_eq!((lot.limits[0].verdict.as_str(), lot.judged), (verdict, Some(At(5_000_000))));
    }
    // An open one is judged by today's whenever it is looked at.
    let mut open = Record { closed: None, judged: None, limits: vec![LimitDone::default()], ..lot };
    store.judge(&mut open, &points, At(6));
    assert_eq!((open.limits[0].verdict.as_str(), open.judged), ("fail", None));
}
