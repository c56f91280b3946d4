//! How it was made: stages against the plan, marks, pH, and what went in.

use std::fmt::Write as _;

use super::{Caps, ROW_MM, field, more, plain, short};
use crate::lot::at::At;
use crate::lot::gather::Point;
use crate::lot::picture::{ended, highest, planned, word};
use crate::lot::record::{Record, StageDone};
use crate::lot::sheet::Part;

pub(in crate::lot::sheet) fn stages_and_milk(r: &Record, points: &[Point], caps: &Caps) -> Part {
    let (mut left, rows) = stages(r, points, caps);
    let marks = marks(r, caps);
    let ph = ph(r);
    left.push_str(&marks.html);
    left.push_str(&ph.html);
    let left_mm = 9.5 + rows as f64 * ROW_MM + marks.height_mm + ph.height_mm;
    let right = milk(r);
    Part {
        html: format!("<div class=\"two\"><div>{left}</div><div>{}</div></div>\n", right.html),
        height_mm: left_mm.max(right.height_mm),
    }
}

/// The table of stages, and how many rows it has.
fn stages(r: &Record, points: &[Point], caps: &Caps) -> (String, usize) {
    let zone = r.zone();
    let mut html = String::from(
        "<table><caption><h2>Stages</h2></caption><thead><tr><th scope=\"col\">Stage</th><th scope=\"col\" class=\"n\">began</th>\
         <th scope=\"col\" class=\"n\">planned</th><th scope=\"col\" class=\"n\">took</th>\
         <th scope=\"col\" class=\"n\">difference</th><th scope=\"col\" class=\"n\">target</th>\
         <th scope=\"col\" class=\"n\">reached</th><th scope=\"col\">known from</th></tr></thead><tbody>",
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
        let wanted = cook.map(|c| c.target_celsius).or(p.to_celsius);
        let target = wanted.map(|c| format!("{} °C", plain(c))).unwrap_or_default();
        let peak = cook.map(|c| c.peak_celsius).or_else(|| wanted.and_then(|_| peak(r, points, i, last)));
        let reached = peak.map(|c| format!("{c:.1} °C")).unwrap_or_default();
        let off = peak
            .zip(wanted)
            .is_some_and(|(peak, wanted)| (peak - wanted).abs() > p.band_celsius.max(0.5) + 0.005);
        let basis = match s.basis.as_str() {
            "trace" => "the trace",
            "mark" => "a mark",
            _ => "elapsed time only",
        };
        let _ = write!(
            html,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{target}</td><td class=\"n{}\">{reached}</td><td>{basis}</td></tr>",
            word(&s.stage),
            s.began.clock(&zone),
            p.minutes.map(minutes).unwrap_or_default(),
            minutes(took),
            p.minutes.map(|m| difference(took - m)).unwrap_or_default(),
            if off { " off" } else { "" },
        );
    }
    if r.stages.is_empty() {
        html.push_str("<tr><td colspan=\"8\">No stage was found.</td></tr>");
    }
    html.push_str("</tbody></table>");
    let left = r.stages.len().saturating_sub(caps.stages);
    more(&mut html, left, "lot.toml");
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

fn marks(r: &Record, caps: &Caps) -> Part {
    if r.marks.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let zone = r.zone();
    let mut html = String::from("<h2>Marked by hand</h2><ol class=\"marks\">");
    for (i, m) in r.marks.iter().enumerate().take(caps.marks) {
        let what = match (m.value, &m.text) {
            (Some(v), _) if m.name == "ph" => format!("pH {}", plain2(v)),
            (Some(v), _) => format!("{} {} °C", m.name, plain(v)),
            (None, Some(t)) => format!("“{t}”"),
            _ => word(&m.name),
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
    more(&mut html, left, "lot.toml");
    let rows = r.marks.len().min(caps.marks).div_ceil(3);
    Part { html, height_mm: 6.5 + rows as f64 * 4.4 + if left > 0 { 3.6 } else { 0.0 } }
}

fn plain2(x: f64) -> String {
    let text = format!("{x:.2}");
    text.strip_suffix('0').map(Into::into).unwrap_or(text)
}

fn ph(r: &Record) -> Part {
    let alone: Vec<_> = r.ph.iter().collect();
    if alone.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let zone = r.zone();
    let rennet = r.marks.iter().find(|m| m.name == "rennet").map(|m| m.at);
    let start = rennet.or(r.stages.first().map(|s| s.began)).unwrap_or(r.opened);
    let from = if rennet.is_some() { "rennet" } else { "the beginning" };
    let values: Vec<String> = alone
        .iter()
        .rev()
        .take(6)
        .rev()
        .map(|p| {
            format!(
                "<b>{}</b> at {} ({:+.1} h)",
                plain2(p.value),
                p.at.clock(&zone),
                p.at.minutes_since(start) / 60.0
            )
        })
        .collect();
    let html =
        format!("<h2>pH <span class=\"key\">(hours from {from})</span></h2><p>{}</p>", values.join(" · "));
    Part { html, height_mm: 6.5 + 3.9 * values.len().div_ceil(4) as f64 }
}

fn milk(r: &Record) -> Part {
    let mut html = String::from("<section><h2>Milk</h2><dl class=\"form\">");
    let unit = |v: Option<f64>, unit: &str| v.map(|v| format!("{} {unit}", plain(v)));
    field(&mut html, "Quantity", unit(r.litres(), "L"));
    field(&mut html, "From", r.milk.source.clone());
    let milkings: Vec<String> = r
        .milkings
        .iter()
        .map(|m| match m.litres {
            Some(l) => format!("{} ({} L)", m.milking, plain(l)),
            None => m.milking.clone(),
        })
        .collect();
    field(&mut html, "Milkings", Some(milkings.join(", ")));
    field(&mut html, "Came in at", unit(r.milk.celsius_in, "°C"));
    field(&mut html, "Oldest milking", unit(r.milk.oldest_hours, "h"));
    field(&mut html, "Acidity", unit(r.milk.acidity_sh, "°SH"));
    field(&mut html, "Inhibitors", r.milk.inhibitors.clone());
    if r.mother.is_some() {
        field(&mut html, "Whey of lot", r.mother.clone());
    }
    html.push_str("</dl><h2>Culture</h2><dl class=\"form\">");
    field(&mut html, "Name", r.culture.name.clone());
    field(&mut html, "Lot", r.culture.lot.clone());
    field(&mut html, "Dose", r.culture.dose.clone());
    html.push_str("</dl><h2>Rennet</h2><dl class=\"form\">");
    field(&mut html, "Name", r.rennet.name.clone());
    field(&mut html, "Lot", r.rennet.lot.clone());
    let dose = r.rennet.dose_ml.map(|ml| match r.litres() {
        Some(l) if l > 0.0 => format!("{} mL ({} mL / 100 L)", plain(ml), plain(ml * 100.0 / l)),
        _ => format!("{} mL", plain(ml)),
    });
    field(&mut html, "Dose", dose);
    field(&mut html, "Strength", r.rennet.strength.clone());
    field(&mut html, "Dilution", r.rennet.dilution.clone());
    html.push_str("</dl></section>");
    let rows = 15 + usize::from(r.mother.is_some());
    Part { html, height_mm: 3.0 * 6.3 + rows as f64 * 4.36 }
}
