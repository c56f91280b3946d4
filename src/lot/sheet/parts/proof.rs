//! What it can be shown by: alarms, limits, instruments, corrections.

use std::fmt::Write as _;

use super::{Caps, ROW_MM, more, sentences, short};
use crate::lot::chart::escape;
use crate::lot::picture::word;
use crate::lot::record::{AlarmDone, Record};
use crate::lot::sheet::Part;

pub(in crate::lot::sheet) fn alarms(r: &Record, caps: &Caps) -> Part {
    let zone = r.zone();
    let mut shown: Vec<&AlarmDone> = r.alarms.iter().collect();
    // With more than have room, the weightier stay.
    let weight = |a: &AlarmDone| ["high", "medium", "low"].iter().position(|p| *p == a.priority).unwrap_or(3);
    shown.sort_by_key(|a| (weight(a), a.raised));
    shown.truncate(caps.alarms);
    shown.sort_by_key(|a| a.raised);
    if shown.is_empty() {
        return Part { html: "<section><h2>Alarms</h2><p>None.</p></section>\n".into(), height_mm: 11.0 };
    }
    let mut html = String::from(
        "<table><caption><h2>Alarms</h2></caption><thead><tr><th scope=\"col\">Alarm</th><th scope=\"col\" class=\"n\">raised</th>\
         <th scope=\"col\" class=\"n\">°C</th><th scope=\"col\">taken by</th><th scope=\"col\" class=\"n\">after</th>\
         <th scope=\"col\">what it said</th></tr></thead><tbody>",
    );
    for a in &shown {
        let after = a.taken.map(|t| {
            let s = t.minutes_since(a.raised) * 60.0;
            if s < 120.0 { format!("{s:.0} s") } else { format!("{:.0} min", s / 60.0) }
        });
        let _ = write!(
            html,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{}</td><td>{}</td>\
             <td class=\"n\">{}</td><td class=\"wide\">{}</td></tr>",
            word(&a.alarm),
            a.raised.clock(&zone),
            a.celsius.map(|c| format!("{c:.1}")).unwrap_or_default(),
            short(a.taken_by_whom(), 20),
            after.unwrap_or_default(),
            sentences(&a.text, 92),
        );
    }
    html.push_str("</tbody></table>\n");
    let left = r.alarms.len() - shown.len();
    more(&mut html, left, "lot.toml");
    Part { html, height_mm: 9.5 + shown.len() as f64 * ROW_MM + if left > 0 { 3.6 } else { 0.0 } }
}

pub(in crate::lot::sheet) fn limits(r: &Record, caps: &Caps) -> Part {
    if r.limits.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let mut html = String::from(
        "<table><caption><h2>The dairy’s own limits</h2></caption><thead><tr><th scope=\"col\">Limit</th>\
         <th scope=\"col\">is</th><th scope=\"col\">found</th><th scope=\"col\">verdict</th>\
         <th scope=\"col\">source</th></tr></thead><tbody>",
    );
    let mut shown: Vec<_> = r.limits.iter().collect();
    shown.sort_by_key(|l| ["fail", "not-known", "pass"].iter().position(|v| *v == l.verdict));
    for l in shown.iter().take(caps.limits) {
        let _ = write!(
            html,
            "<tr class=\"{v}\"><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td class=\"verdict\">{}</td><td>{}</td></tr>",
            short(&l.name, 32),
            short(&l.limit, 28),
            short(&l.found, 30),
            word(&l.verdict),
            short(&l.source, 20),
            v = escape(&l.verdict),
        );
    }
    html.push_str("</tbody></table>\n");
    let left = r.limits.len().saturating_sub(caps.limits);
    more(&mut html, left, "lot.toml");
    let rows = r.limits.len().min(caps.limits);
    Part { html, height_mm: 9.5 + rows as f64 * ROW_MM + if left > 0 { 3.6 } else { 0.0 } }
}

pub(in crate::lot::sheet) fn instruments(r: &Record, caps: &Caps) -> Part {
    let zone = r.zone();
    let mut left = String::from("<section><h2>Instruments</h2>");
    let mut left_mm = 6.2;
    if r.instruments.is_empty() {
        left.push_str("<p>No probe’s calibration is on record.</p>");
        left_mm += 3.9;
    }
    for i in r.instruments.iter().take(caps.instruments) {
        let calibrated = match (&i.calibrated, &i.calibration) {
            (Some(at), Some(what)) => format!("calibrated {}, {what}", at.day(&zone)),
            (Some(at), None) => format!("calibrated {}", at.day(&zone)),
            _ => "no calibration on record".into(),
        };
        let sure = i.uncertainty_celsius.map(|u| format!("; uncertainty ±{u:.2} °C")).unwrap_or_default();
        let line = format!("Probe {}: {calibrated}{sure}", i.probe);
        let _ = write!(left, "<p>{}</p>", short(&line, 124));
        left_mm += lines_mm(&line);
    }
    more(&mut left, r.instruments.len().saturating_sub(caps.instruments), "lot.toml");
    left.push_str("</section>");
    let mut right = String::from("<section><h2>Corrected or entered later</h2>");
    let mut right_mm = 6.2;
    if r.corrections.is_empty() {
        right.push_str("<p>None.</p>");
        right_mm += 3.9;
    }
    for c in r.corrections.iter().rev().take(caps.corrections) {
        let old = if c.old.is_empty() { String::new() } else { format!("{} → ", said(&c.old)) };
        let line = format!(
            "{} {}, {}: {} {old}{} ({})",
            c.at.day(&zone),
            c.at.clock(&zone),
            c.by,
            c.field.replace(['.', '-'], " "),
            said(&c.new),
            c.reason
        );
        let _ = write!(right, "<p>{}</p>", short(&line, 124));
        right_mm += lines_mm(&line);
    }
    more(&mut right, r.corrections.len().saturating_sub(caps.corrections), "lot.toml");
    right.push_str("</section>");
    let more_mm = if r.corrections.len() > caps.corrections { 3.6 } else { 0.0 };
    Part {
        html: format!("<div class=\"half\">{left}{right}</div>\n"),
        height_mm: f64::max(left_mm, right_mm + more_mm),
    }
}

/// A value as the record keeps it, as a person writes it.
fn said(value: &str) -> &str {
    let plain = value.strip_prefix('"').and_then(|v| v.strip_suffix('"')).unwrap_or(value);
    plain.strip_suffix(".0").unwrap_or(plain)
}

/// Height of a line of half the page's width, or of two, mm.
fn lines_mm(text: &str) -> f64 {
    if text.chars().count() > 58 { 7.5 } else { 3.8 }
}
