//! How it was made: stages against the plan, marks, pH, and what went in.

use std::fmt::Write as _;

use super::form::{LEFT_MM, curd, milk};
use super::{Caps, HEADING_MM, LINE_MM, ROW_MM, Space, more, table_head};
use crate::lot::at::At;
use crate::lot::chart::escape;
use crate::lot::gather::Point;
use crate::lot::picture::{ended, highest, planned};
use crate::lot::record::{Mark, Record, StageDone};
use crate::lot::sheet::Part;
use crate::words::Words;

/// So long after a heating the heat of the wall still comes, seconds.
const COAST_S: i64 = 300;

/// Stages, marks, pH, curd and wheels at the left; what went in at the right.
pub(in crate::lot::sheet) fn how_made(r: &Record, points: &[Point], caps: &Caps, w: &Words) -> Part {
    let left = [stages(r, points, caps, w), marks(r, caps, w), ph(r, caps, w), curd(r, caps, w)];
    let right = milk(r, caps, w);
    let left_mm: f64 = left.iter().map(|p| p.height_mm).sum();
    let rest = left.iter().chain([&right]).map(|p| p.rest.as_str()).collect();
    let left: String = left.iter().map(|p| p.html.as_str()).collect();
    let html =
        format!("<div class=\"two\"><div>{left}</div><div><section>{}</section></div></div>\n", right.html);
    Part { html, height_mm: left_mm.max(right.height_mm), rest }
}

/// The table of stages.
fn stages(r: &Record, points: &[Point], caps: &Caps, w: &Words) -> Part {
    let zone = r.zone();
    let columns = [
        ("sheet-stage", false),
        ("sheet-began", true),
        ("sheet-planned", true),
        ("sheet-took", true),
        ("sheet-difference", true),
        ("sheet-target", true),
        ("sheet-reached", true),
        ("sheet-known", false),
    ];
    let mut html = table_head(w, "sheet-stages", "stages", &columns);
    let last = r.trace_ends();
    let planned = planned(r);
    let mut cooks = r.cooks.iter();
    for (i, s) in r.stages.iter().enumerate().take(caps.stages) {
        let took = ended(r, i, last).minutes_since(s.began);
        let p = planned.get(i).cloned().flatten().unwrap_or_default();
        let minutes = |m: f64| format!("{m:.0} min");
        let cook = if s.stage == "cooking" || s.stage == "whey-heating" { cooks.next() } else { None };
        // The maker may have changed his mind about the plan's.
        let wanted = cook.and_then(|c| c.target_celsius).or(p.to_celsius);
        let target = wanted.map(|c| format!("{} °C", w.number(c, 1))).unwrap_or_default();
        let peak = cook.map(|c| c.peak_celsius).or_else(|| wanted.and_then(|_| peak(r, points, i, last)));
        let reached = peak.map(|c| format!("{} °C", w.number(c, 1))).unwrap_or_default();
        let off = peak
            .zip(wanted)
            .is_some_and(|(peak, wanted)| (peak - wanted).abs() > p.band_celsius.max(0.5) + 0.005);
        let basis = w.word(match s.basis.as_str() {
            "trace" => "sheet-by-trace",
            "mark" => "sheet-by-mark",
            _ => "sheet-by-plan",
        });
        let _ = write!(
            html,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{target}</td><td class=\"n{}\">{reached}</td><td>{basis}</td></tr>",
            escape(&w.one_of("stage", &s.stage)),
            s.began.clock(&zone),
            p.minutes.map(minutes).unwrap_or_default(),
            minutes(took),
            p.minutes.map(|m| difference(took - m)).unwrap_or_default(),
            if off { " off" } else { "" },
        );
    }
    if r.stages.is_empty() {
        let _ = write!(html, "<tr><td colspan=\"8\">{}</td></tr>", w.word("sheet-no-stage"));
    }
    html.push_str("</tbody></table>");
    let left = r.stages.len().saturating_sub(caps.stages);
    let more_mm = more(&mut html, left, false, w);
    let rows = r.stages.len().clamp(1, caps.stages);
    let rest = if left > 0 { stages(r, points, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm: 9.5 + rows as f64 * ROW_MM + more_mm, rest }
}

/// The highest of a stage that is no cook, °C, with the minutes after it in which
/// the heat of the wall still comes: up to where heat is put on again.
fn peak(r: &Record, points: &[Point], i: usize, last: At) -> Option<f64> {
    let heats = |s: &&StageDone| matches!(s.stage.as_str(), "warming" | "cooking" | "whey-heating");
    let (began, ended) = (r.stages[i].began, ended(r, i, last));
    let next_heat = r.stages.iter().filter(heats).map(|s| s.began).filter(|next| *next > began).min();
    let end = ended.plus_s(COAST_S).min(next_heat.unwrap_or(At(i64::MAX)));
    highest(points, began, end).map(|(celsius, _)| celsius)
}

/// Minutes more or less than planned.
fn difference(minutes: f64) -> String {
    match minutes.round() {
        m if m > 0.5 => format!("+{m:.0} min"),
        m if m < -0.5 => format!("\u{2212}{:.0} min", -m),
        _ => "0 min".into(),
    }
}

/// A mark in words: what, by whom, and when it was told where that was later.
fn mark_in_words(r: &Record, m: &Mark, w: &Words) -> String {
    let what = match (m.value, &m.text) {
        (Some(v), _) if m.name == "ph" => format!("pH {}", w.short(v, 2)),
        (Some(v), _) => format!("{} {} °C", w.one_of("mark", &m.name), w.short(v, 1)),
        (None, Some(t)) => format!("“{t}”"),
        _ => w.one_of("mark", &m.name),
    };
    let by = m.by.as_deref().map(|b| format!(", {b}")).unwrap_or_default();
    let told = m.told.map(|t| format!(" ({})", w.say("sheet-told", &[("at", &r.clock(t))])));
    format!("{} {what}{by}{}", r.clock(m.at), told.unwrap_or_default())
}

/// What was marked, three in a row where they are short.
fn marks(r: &Record, caps: &Caps, w: &Words) -> Part {
    if r.marks.is_empty() {
        return Part::whole(String::new(), 0.0);
    }
    let third_mm = LEFT_MM / 3.0;
    // The numbered sign, and the gap to the next one.
    let sign_mm = 5.4;
    let (mut html, mut cut) = (format!("<h2>{}</h2><ol class=\"marks\">", w.word("sheet-marks")), false);
    let (mut rows, mut free) = (0, 0);
    for (i, m) in r.marks.iter().enumerate().take(caps.marks) {
        let said = mark_in_words(r, m, w);
        let space =
            |thirds: usize| Space { pt: 7.5, ..Space::plain(third_mm * thirds as f64 - sign_mm, caps.lines) };
        let most = if caps.lines == 1 { 1 } else { 3 };
        let thirds = (1..=most).find(|n| space(*n).lines(&said) == 1).unwrap_or(most);
        let (text, lines) = space(thirds).fit(&said, &mut cut);
        let _ = write!(html, "<li class=\"of-{thirds}\"><b>{}</b>{text}</li>", i + 1);
        // It goes on in the row where that has room.
        if thirds > free {
            (rows, free) = (rows + lines, 3);
        }
        free -= thirds;
    }
    html.push_str("</ol>");
    let left = r.marks.len().saturating_sub(caps.marks);
    let more_mm = more(&mut html, left, cut, w);
    let rest = if more_mm > 0.0 { marks(r, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm: HEADING_MM + rows as f64 * 3.9 + more_mm, rest }
}

fn ph(r: &Record, caps: &Caps, w: &Words) -> Part {
    if r.ph.is_empty() {
        return Part::whole(String::new(), 0.0);
    }
    let rennet = r.marks.iter().find(|m| m.name == "rennet").map(|m| m.at);
    let start = rennet.or(r.stages.first().map(|s| s.began)).unwrap_or(r.opened);
    let from = if rennet.is_some() { "sheet-ph-from-rennet" } else { "sheet-ph-from-begin" };
    let left = r.ph.len().saturating_sub(caps.ph);
    let said = |bold: &dyn Fn(String) -> String| -> String {
        let values = r.ph.iter().skip(left).map(|p| {
            let value = bold(w.short(p.value, 2));
            let hours = w.signed(p.at.minutes_since(start) / 60.0, 1);
            w.say("sheet-ph-at", &[("value", &value), ("at", &r.clock(p.at)), ("h", &hours)])
        });
        values.collect::<Vec<_>>().join(" · ")
    };
    let html = said(&|value| format!("<b>{value}</b>"));
    let lines = Space::plain(LEFT_MM - 2.0, usize::MAX).lines(&said(&|value| value));
    let mut html = format!("<h2>pH <span class=\"key\">{}</span></h2><p>{html}</p>", w.word(from));
    let more_mm = more(&mut html, left, false, w);
    let rest = if left > 0 { ph(r, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm: HEADING_MM + LINE_MM * lines as f64 + more_mm, rest }
}
