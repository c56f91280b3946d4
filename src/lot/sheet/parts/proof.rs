//! What it can be shown by: alarms, limits, instruments, corrections.

use std::fmt::Write as _;

use super::{Caps, ROW_MM, more, sentences, short, table_head};
use crate::lot::chart::escape;
use crate::lot::correct::{AFTER_CLOSING, ATTACHED_LATE, TAKEN_OVER};
use crate::lot::record::{AlarmDone, Record};
use crate::lot::sheet::Part;
use crate::words::Words;

pub(in crate::lot::sheet) fn alarms(r: &Record, caps: &Caps, w: &Words) -> Part {
    let zone = r.zone();
    let mut shown: Vec<&AlarmDone> = r.alarms.iter().collect();
    // With more than have room, the weightier stay.
    let weight = |a: &AlarmDone| ["high", "medium", "low"].iter().position(|p| *p == a.priority).unwrap_or(3);
    shown.sort_by_key(|a| (weight(a), a.raised));
    shown.truncate(caps.alarms);
    shown.sort_by_key(|a| a.raised);
    if shown.is_empty() {
        let (title, none) = (w.word("sheet-alarms"), w.word("sheet-none"));
        return Part { html: format!("<section><h2>{title}</h2><p>{none}</p></section>\n"), height_mm: 11.0 };
    }
    let mut html = table_head(
        w,
        "sheet-alarms",
        &[
            ("sheet-alarm", false),
            ("sheet-raised", true),
            ("°C", true),
            ("sheet-taken-by", false),
            ("sheet-after", true),
            ("sheet-said", false),
        ],
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
            escape(&w.one_of("alarm", &a.alarm)),
            a.raised.clock(&zone),
            a.celsius.map(|c| w.number(c, 1)).unwrap_or_default(),
            short(&a.taken_by_whom(w), 20),
            after.unwrap_or_default(),
            sentences(&a.said_in(w), 92),
        );
    }
    html.push_str("</tbody></table>\n");
    let left = r.alarms.len() - shown.len();
    more(&mut html, left, "lot.toml", w);
    Part { html, height_mm: 9.5 + shown.len() as f64 * ROW_MM + if left > 0 { 3.6 } else { 0.0 } }
}

pub(in crate::lot::sheet) fn limits(r: &Record, caps: &Caps, w: &Words) -> Part {
    if r.limits.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let html = table_head(
        w,
        "sheet-limits",
        &[
            ("sheet-limit", false),
            ("sheet-is", false),
            ("sheet-found", false),
            ("sheet-verdict", false),
            ("sheet-source", false),
        ],
    );
    let mut html = html.replacen("<table>", "<table class=\"limits\">", 1);
    let mut shown: Vec<_> = r.limits.iter().collect();
    shown.sort_by_key(|l| ["fail", "not-known", "pass"].iter().position(|v| *v == l.verdict));
    for l in shown.iter().take(caps.limits) {
        let _ = write!(
            html,
            "<tr class=\"{v}\"><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td class=\"verdict\">{}</td><td>{}</td></tr>",
            short(&l.name, 32),
            short(&l.limit_in(w), 34),
            short(&l.found_in(w), 36),
            escape(&w.one_of("verdict", &l.verdict)),
            short(&l.source, 20),
            v = escape(&l.verdict),
        );
    }
    html.push_str("</tbody></table>\n");
    let left = r.limits.len().saturating_sub(caps.limits);
    more(&mut html, left, "lot.toml", w);
    let rows = r.limits.len().min(caps.limits);
    Part { html, height_mm: 9.5 + rows as f64 * ROW_MM + if left > 0 { 3.6 } else { 0.0 } }
}

pub(in crate::lot::sheet) fn instruments(r: &Record, caps: &Caps, w: &Words) -> Part {
    let zone = r.zone();
    let mut left = format!("<section><h2>{}</h2>", w.word("sheet-instruments"));
    let mut left_mm = 6.2;
    if r.instruments.is_empty() {
        let _ = write!(left, "<p>{}</p>", w.word("sheet-no-instrument"));
        left_mm += 3.9;
    }
    for i in r.instruments.iter().take(caps.instruments) {
        let mut what = match &i.calibrated {
            Some(at) => w.say("sheet-calibrated", &[("day", &at.day(&zone))]),
            None => w.word("sheet-uncalibrated"),
        };
        if let Some(how) = i.calibrated.and_then(|_| i.calibration_in(w)) {
            let _ = write!(what, ", {how}");
        }
        if let Some(u) = i.uncertainty_celsius {
            let _ = write!(what, "; {}", w.say("sheet-uncertainty", &[("celsius", &w.number(u, 2))]));
        }
        let line = w.say("sheet-probe", &[("probe", &i.probe), ("what", &what)]);
        let _ = write!(left, "<p>{}</p>", short(&line, 124));
        left_mm += lines_mm(&line);
    }
    more(&mut left, r.instruments.len().saturating_sub(caps.instruments), "lot.toml", w);
    left.push_str("</section>");
    let mut right = format!("<section><h2>{}</h2>", w.word("sheet-corrections"));
    let mut right_mm = 6.2;
    if r.corrections.is_empty() {
        let _ = write!(right, "<p>{}</p>", w.word("sheet-none"));
        right_mm += 3.9;
    }
    for c in r.corrections.iter().rev().take(caps.corrections) {
        let old = if c.old.is_empty() { String::new() } else { format!("{} → ", said(&c.old, w)) };
        let line = format!(
            "{} {}, {}: {} {old}{} ({})",
            c.at.day(&zone),
            c.at.clock(&zone),
            c.by,
            w.one_of("field", &c.field.replace('.', "-")),
            said(&c.new, w),
            reason(&c.reason, w)
        );
        let _ = write!(right, "<p>{}</p>", short(&line, 124));
        right_mm += lines_mm(&line);
    }
    more(&mut right, r.corrections.len().saturating_sub(caps.corrections), "lot.toml", w);
    right.push_str("</section>");
    let more_mm = if r.corrections.len() > caps.corrections { 3.6 } else { 0.0 };
    Part {
        html: format!("<div class=\"half\">{left}{right}</div>\n"),
        height_mm: f64::max(left_mm, right_mm + more_mm),
    }
}

/// A value as the record keeps it, as a person writes it.
fn said(value: &str, words: &Words) -> String {
    match value.strip_prefix('"').and_then(|v| v.strip_suffix('"')) {
        Some(text) => text.to_owned(),
        // Words of a later version stay as they came.
        None => value.parse().map_or_else(|_| value.to_owned(), |number| words.figure(number)),
    }
}

/// Why, where the program itself gave the reason.
fn reason(reason: &str, words: &Words) -> String {
    match reason {
        AFTER_CLOSING => words.word("why-after-closing"),
        TAKEN_OVER => words.word("why-taken-over"),
        ATTACHED_LATE => words.word("why-attached"),
        own => own.to_owned(),
    }
}

/// Height of a line of half the page's width, or of two, mm.
fn lines_mm(text: &str) -> f64 {
    if text.chars().count() > 58 { 7.5 } else { 3.8 }
}
