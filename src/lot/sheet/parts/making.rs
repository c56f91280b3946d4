//! How it was made: stages against the plan, marks, pH, and what went in.

use std::fmt::Write as _;

use super::{Caps, ROW_MM, field, more, short, table_head};
use crate::lot::at::At;
use crate::lot::chart::escape;
use crate::lot::gather::Point;
use crate::lot::picture::{ended, highest, planned};
use crate::lot::record::{Record, StageDone};
use crate::lot::sheet::Part;
use crate::words::Words;

pub(in crate::lot::sheet) fn stages_and_milk(r: &Record, points: &[Point], caps: &Caps, w: &Words) -> Part {
    let (mut left, rows) = stages(r, points, caps, w);
    let marks = marks(r, caps, w);
    let ph = ph(r, w);
    left.push_str(&marks.html);
    left.push_str(&ph.html);
    let left_mm = 9.5 + rows as f64 * ROW_MM + marks.height_mm + ph.height_mm;
    let right = milk(r, w);
    Part {
        html: format!("<div class=\"two\"><div>{left}</div><div>{}</div></div>\n", right.html),
        height_mm: left_mm.max(right.height_mm),
    }
}

/// The table of stages, and how many rows it has.
fn stages(r: &Record, points: &[Point], caps: &Caps, w: &Words) -> (String, usize) {
    let zone = r.zone();
    let mut html = table_head(
        w,
        "sheet-stages",
        &[
            ("sheet-stage", false),
            ("sheet-began", true),
            ("sheet-planned", true),
            ("sheet-took", true),
            ("sheet-difference", true),
            ("sheet-target", true),
            ("sheet-reached", true),
            ("sheet-known", false),
        ],
    );
    let last = r.stretches.iter().map(|s| s.to).max().or(r.closed).unwrap_or(r.opened);
    let planned = planned(r);
    let mut cooks = r.cooks.iter();
    for (i, s) in r.stages.iter().enumerate().take(caps.stages) {
        let took = ended(r, i, last).minutes_since(s.began);
        let p = planned.get(i).cloned().flatten().unwrap_or_default();
        let minutes = |m: f64| format!("{m:.0} min");
        let cook = if s.stage == "cooking" || s.stage == "whey-heating" { cooks.next() } else { None };
        // The maker may have changed his mind about the plan's.
        let wanted = cook.and_then(|c| c.target_celsius).or(p.to_celsius);
        let target = wanted.map(|c| format!("{} °C", w.short(c, 1))).unwrap_or_default();
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
    more(&mut html, left, "lot.toml", w);
    (html, r.stages.len().clamp(1, caps.stages) + usize::from(left > 0))
}

/// The highest of a stage that is no cook, °C, with the minutes after it in which
/// the heat of the wall still comes.
fn peak(r: &Record, points: &[Point], i: usize, last: At) -> Option<f64> {
    let heats = |s: &StageDone| matches!(s.stage.as_str(), "warming" | "cooking" | "whey-heating");
    let coast_s = if r.stages.get(i + 1).is_some_and(heats) { 0 } else { 300 };
    let end = ended(r, i, last).plus_s(coast_s);
    highest(points, r.stages[i].began, end).map(|(celsius, _)| celsius)
}

/// Minutes more or less than planned.
fn difference(minutes: f64) -> String {
    match minutes.round() {
        m if m > 0.5 => format!("+{m:.0} min"),
        m if m < -0.5 => format!("\u{2212}{:.0} min", -m),
        _ => "0 min".into(),
    }
}

fn marks(r: &Record, caps: &Caps, w: &Words) -> Part {
    if r.marks.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let zone = r.zone();
    let mut html = format!("<h2>{}</h2><ol class=\"marks\">", w.word("sheet-marks"));
    for (i, m) in r.marks.iter().enumerate().take(caps.marks) {
        let what = match (m.value, &m.text) {
            (Some(v), _) if m.name == "ph" => format!("pH {}", w.short(v, 2)),
            (Some(v), _) => format!("{} {} °C", w.one_of("mark", &m.name), w.short(v, 1)),
            (None, Some(t)) => format!("“{t}”"),
            _ => w.one_of("mark", &m.name),
        };
        let by = m.by.as_deref().map(|b| format!(", {b}")).unwrap_or_default();
        let _ = write!(
            html,
            "<li><b>{}</b>{} {}</li>",
            i + 1,
            m.at.clock(&zone),
            short(&format!("{what}{by}"), 24)
        );
    }
    html.push_str("</ol>");
    let left = r.marks.len().saturating_sub(caps.marks);
    more(&mut html, left, "lot.toml", w);
    let rows = r.marks.len().min(caps.marks).div_ceil(3);
    Part { html, height_mm: 6.5 + rows as f64 * 4.4 + if left > 0 { 3.6 } else { 0.0 } }
}

fn ph(r: &Record, w: &Words) -> Part {
    let alone: Vec<_> = r.ph.iter().collect();
    if alone.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let rennet = r.marks.iter().find(|m| m.name == "rennet").map(|m| m.at);
    let start = rennet.or(r.stages.first().map(|s| s.began)).unwrap_or(r.opened);
    let from = if rennet.is_some() { "sheet-ph-from-rennet" } else { "sheet-ph-from-begin" };
    let values: Vec<String> = alone
        .iter()
        .rev()
        .take(6)
        .rev()
        .map(|p| {
            let value = format!("<b>{}</b>", w.short(p.value, 2));
            let hours = w.signed(p.at.minutes_since(start) / 60.0, 1);
            w.say("sheet-ph-at", &[("value", &value), ("at", &r.clock(p.at)), ("h", &hours)])
        })
        .collect();
    let html =
        format!("<h2>pH <span class=\"key\">{}</span></h2><p>{}</p>", w.word(from), values.join(" · "));
    Part { html, height_mm: 6.5 + 3.9 * values.len().div_ceil(4) as f64 }
}

fn milk(r: &Record, w: &Words) -> Part {
    let plain = |v: f64| w.short(v, 1);
    let mut html = format!("<section><h2>{}</h2><dl class=\"form\">", w.word("sheet-milk"));
    let field = |html: &mut String, key: &str, value| field(html, &w.word(key), value);
    let unit = |v: Option<f64>, unit: &str| v.map(|v| format!("{} {unit}", plain(v)));
    field(&mut html, "sheet-quantity", unit(r.litres(), "L"));
    field(&mut html, "sheet-from", r.milk.source.clone());
    let milkings: Vec<String> = r
        .milkings
        .iter()
        .map(|m| match m.litres {
            Some(l) => format!("{} ({} L)", m.milking, plain(l)),
            None => m.milking.clone(),
        })
        .collect();
    field(&mut html, "sheet-milkings", Some(milkings.join(", ")));
    field(&mut html, "sheet-came-in", unit(r.milk.celsius_in, "°C"));
    field(&mut html, "sheet-oldest", unit(r.milk.oldest_hours, "h"));
    field(&mut html, "sheet-acidity", unit(r.milk.acidity_sh, "°SH"));
    field(&mut html, "sheet-inhibitors", r.milk.inhibitors.clone());
    if r.mother.is_some() {
        field(&mut html, "sheet-whey-of", r.mother.clone());
    }
    let _ = write!(html, "</dl><h2>{}</h2><dl class=\"form\">", w.word("sheet-culture"));
    field(&mut html, "sheet-what", r.culture.name.clone());
    field(&mut html, "lot", r.culture.lot.clone());
    field(&mut html, "sheet-dose", r.culture.dose.clone());
    let _ = write!(html, "</dl><h2>{}</h2><dl class=\"form\">", w.word("sheet-rennet"));
    field(&mut html, "sheet-what", r.rennet.name.clone());
    field(&mut html, "lot", r.rennet.lot.clone());
    let dose = r.rennet.dose_ml.map(|ml| match r.litres() {
        Some(l) if l > 0.0 => format!("{} mL ({} mL / 100 L)", plain(ml), plain(ml * 100.0 / l)),
        _ => format!("{} mL", plain(ml)),
    });
    field(&mut html, "sheet-dose", dose);
    field(&mut html, "sheet-strength", r.rennet.strength.clone());
    field(&mut html, "sheet-dilution", r.rennet.dilution.clone());
    html.push_str("</dl></section>");
    let rows = 15 + usize::from(r.mother.is_some());
    Part { html, height_mm: 3.0 * 6.3 + rows as f64 * 4.36 }
}
