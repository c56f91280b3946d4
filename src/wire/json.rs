//! The engine's effects as JSON lines, `kind` first, as the contracts fix it.

use serde_json::{Map, Value, json};

use crate::engine::alarm::AlarmState;
use crate::engine::effect::{AlarmChange, Conclusion, Effect, Forecast, Make, StageChange, WallNs};
use crate::engine::said::{Fact, Said};
use crate::engine::view::KettleView;

/// One effect as a compact JSON object without its newline; `None` for what
/// has no JSON form ([`Conclusion::Learned`] goes to the kettle file).
pub fn event(effect: &Effect) -> Option<String> {
    let (kind, rest) = match &effect.what {
        Conclusion::Stage(s) => ("stage", stage(s)),
        Conclusion::Alarm(a) => ("alarm", alarm(a)),
        Conclusion::Forecast(f) => ("forecast", forecast(f)),
        Conclusion::Health(h) => {
            ("health", vec![("health", json!(h.health.name())), ("reason", json!(h.reason))])
        }
        Conclusion::MakeBegan => ("make-began", vec![]),
        // What began and was none, with hindsight, has nothing to tell; its lot ends.
        Conclusion::Make(m) if m.stages.is_empty() => return None,
        Conclusion::Make(m) => ("make", make(m)),
        Conclusion::Remark(t) => ("remark", vec![("text", json!(t))]),
        Conclusion::Learned(_) => return None,
    };
    let mut head = vec![("time", time(effect.time)), ("probe", json!(&*effect.probe))];
    if effect.kettle != effect.probe {
        head.push(("kettle", json!(&*effect.kettle)));
    }
    Some(object(kind, head.into_iter().chain(rest)))
}

/// The line that tells a program at the other end of a pipe that a reading is
/// done.
pub fn reading(time_ns: Option<WallNs>, probe: &str, seen: Option<&KettleView>) -> String {
    let mut fields = vec![("time", time(time_ns)), ("probe", json!(probe))];
    if let Some(v) = seen {
        fields.push(("celsius", hundredths(v.celsius)));
        fields.push(("rate_celsius_per_min", hundredths(v.rate_celsius_per_min)));
        fields.push(("health", json!(v.health.name())));
        if !v.reason.is_empty() {
            fields.push(("reason", json!(v.reason)));
        }
        fields.push(("stage", json!(v.stage.name())));
    }
    object("reading", fields)
}

fn stage(s: &StageChange) -> Vec<(&'static str, Value)> {
    let mut v = vec![
        ("stage", json!(s.stage.name())),
        ("began", time(s.began)),
        ("confidence", hundredths(Some(s.confidence))),
        ("basis", json!(s.basis.name())),
    ];
    if s.revises {
        v.push(("revises", json!(true)));
    }
    if s.withdrawn {
        v.push(("withdrawn", json!(true)));
    }
    v
}

fn alarm(a: &AlarmChange) -> Vec<(&'static str, Value)> {
    let mut v = vec![
        ("alarm", json!(a.alarm.name())),
        ("state", json!(a.state.name())),
        ("priority", json!(a.priority.name())),
        ("sounds", json!(a.sounds)),
        ("celsius", hundredths(a.celsius)),
        ("limit_celsius", hundredths(a.limit_celsius)),
        ("text", json!(a.text)),
    ];
    if let Some(by) = &a.by {
        v.push(("by", json!(&**by)));
    }
    if let Some(seconds) = a.shelved_for_s {
        v.push(("shelved_for_s", json!(seconds.round())));
    }
    if a.state == AlarmState::Unacknowledged && !a.said.is_empty() {
        v.push(("said", Value::Array(a.said.iter().map(said).collect())));
    }
    v
}

/// What a raised alarm says, as data: `{"say":KEY,NAME:VALUE,…}`.
fn said(s: &Said) -> Value {
    let mut map = Map::new();
    map.insert("say".into(), json!(s.key));
    for (name, fact) in &s.values {
        let value = match fact {
            Fact::Number(n) => hundredths(Some(*n)),
            Fact::Word(w) => json!(w),
        };
        map.insert(name.clone(), value);
    }
    Value::Object(map)
}

fn forecast(f: &Forecast) -> Vec<(&'static str, Value)> {
    vec![
        ("stage", json!(f.stage.name())),
        ("target_celsius", hundredths(Some(f.target_celsius))),
        ("heat_off_at", time(f.heat_off_at)),
        ("reach_at", time(f.reach_at)),
        ("peak_celsius", hundredths(Some(f.peak_celsius))),
        ("peak_low_celsius", hundredths(Some(f.peak_low_celsius))),
        ("peak_high_celsius", hundredths(Some(f.peak_high_celsius))),
    ]
}

fn make(m: &Make) -> Vec<(&'static str, Value)> {
    let stages: Vec<Value> = m
        .stages
        .iter()
        .map(|s| {
            compact([
                ("stage", json!(s.stage.name())),
                ("began", time(s.began)),
                ("ended", time(s.ended)),
                ("confidence", hundredths(Some(s.confidence))),
                ("basis", json!(s.basis.name())),
            ])
        })
        .collect();
    let cooks: Vec<Value> = m
        .cooks
        .iter()
        .map(|c| {
            compact([
                ("target_celsius", hundredths(c.target_celsius)),
                ("heat_off_called_at", time(c.heat_off_called_at)),
                ("reached_at", time(c.reached_at)),
                ("peak_celsius", hundredths(Some(c.peak_celsius))),
                ("peak_at", time(c.peak_at)),
            ])
        })
        .collect();
    vec![("stages", Value::Array(stages)), ("cooks", Value::Array(cooks))]
}

/// `kind` first; absent what is null.
fn object(kind: &str, fields: impl IntoIterator<Item = (&'static str, Value)>) -> String {
    let mut out = format!("{{\"kind\":\"{kind}\"");
    for (k, v) in fields {
        if !v.is_null() {
            out.push_str(",\"");
            out.push_str(k);
            out.push_str("\":");
            out.push_str(&v.to_string());
        }
    }
    out.push('}');
    out
}

fn compact(fields: impl IntoIterator<Item = (&'static str, Value)>) -> Value {
    let mut map = Map::new();
    for (k, v) in fields {
        if !v.is_null() {
            map.insert(k.into(), v);
        }
    }
    Value::Object(map)
}

fn time(t: Option<WallNs>) -> Value {
    t.map_or(Value::Null, |ns| Value::String(rfc3339(ns)))
}

fn hundredths(x: Option<f64>) -> Value {
    match x {
        Some(x) if x.is_finite() => {
            let r = (x * 100.0).round() / 100.0;
            json!(if r == 0.0 { 0.0 } else { r })
        }
        _ => Value::Null,
    }
}

/// RFC 3339 without a calendar library: `wire` is pure and this is all it needs.
mod calendar {
    /// Nanoseconds since 1970 as RFC 3339 UTC, milliseconds where they are not
    /// zero. Days to date after the proleptic Gregorian rule.
    pub(super) fn rfc3339(ns: i64) -> String {
        let secs = ns.div_euclid(1_000_000_000);
        let ms = ns.rem_euclid(1_000_000_000) / 1_000_000;
        let (days, sod) = (secs.div_euclid(86_400), secs.rem_euclid(86_400));
        // Days since 0000-03-01, in eras of 400 years.
        let z = days + 719_468;
        let era = z.div_euclid(146_097);
        let doe = z.rem_euclid(146_097);
        let yoe = (doe - doe / 1_460 + doe / 36_524 - doe / 146_096) / 365;
        let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
        let mp = (5 * doy + 2) / 153;
        let d = doy - (153 * mp + 2) / 5 + 1;
        let m = if mp < 10 { mp + 3 } else { mp - 9 };
        let y = yoe + era * 400 + i64::from(m <= 2);
        let (h, mi, s) = (sod / 3600, sod / 60 % 60, sod % 60);
        if ms == 0 {
            format!("{y:04}-{m:02}-{d:02}T{h:02}:{mi:02}:{s:02}Z")
        } else {
            format!("{y:04}-{m:02}-{d:02}T{h:02}:{mi:02}:{s:02}.{ms:03}Z")
        }
    }
}

/// Nanoseconds since 1970 as RFC 3339 UTC, to the millisecond.
pub fn rfc3339(ns: WallNs) -> String {
    calendar::rfc3339(ns)
}

#[cfg(test)]
mod tests {
    use super::rfc3339;

    #[test]
    fn instants_read_as_rfc3339() {
        // Checked against `jiff`, an independent calendar.
        for ns in [
            0,
            1_752_465_129_500_000_000,
            -1_000_000,
            951_827_696_000_000_000,
            4_102_444_799_999_000_000,
            i64::MAX / 2,
        ] {
            let ours: jiff::Timestamp = rfc3339(ns).parse().unwrap();
            assert_eq!(ours.as_nanosecond(), i128::from(ns.div_euclid(1_000_000)) * 1_000_000);
        }
    }
}
