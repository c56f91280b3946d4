//! The parts of the sheet.

use std::fmt::Write as _;

use super::Part;
use crate::lot::chart::escape;
use crate::lot::findings::looked_at;
use crate::lot::picture::{counted, ended, planned, word};
use crate::lot::record::{AlarmDone, Record};
use crate::lot::seal::Link;

/// Height of a row of a table, and of a line of text, mm.
const ROW_MM: f64 = 4.2;

/// The most rows of each part.
pub(super) struct Caps {
    first: usize,
    first_chars: usize,
    stages: usize,
    marks: usize,
    alarms: usize,
    limits: usize,
    instruments: usize,
    corrections: usize,
}

/// As much as a page bears that has little in its other parts.
pub(super) const ROOMY: Caps = Caps {
    first: 6,
    first_chars: 230,
    stages: 14,
    marks: 18,
    alarms: 9,
    limits: 6,
    instruments: 4,
    corrections: 5,
};

/// Where there is much in some of them.
pub(super) const FULL: Caps = Caps {
    first: 5,
    first_chars: 112,
    stages: 11,
    marks: 12,
    alarms: 5,
    limits: 4,
    instruments: 2,
    corrections: 2,
};

/// Where there is much of everything.
pub(super) const TIGHT: Caps = Caps {
    first: 3,
    first_chars: 112,
    stages: 9,
    marks: 6,
    alarms: 3,
    limits: 2,
    instruments: 2,
    corrections: 2,
};

/// Longest words in a cell, characters; more is cut with a sign.
fn short(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return escape(text);
    }
    let cut: String = text.chars().take(most - 1).collect();
    format!("{}…", escape(cut.trim_end()))
}

/// As many whole sentences as have room, or a part of the first.
fn sentences(text: &str, most: usize) -> String {
    let ends = text.match_indices(". ").map(|(i, _)| i + 1).chain([text.len()]);
    let fits = ends.filter(|end| text[..*end].chars().count() <= most).last();
    fits.map_or_else(|| short(text, most), |end| escape(&text[..end]))
}

fn field(html: &mut String, label: &str, value: Option<String>) {
    let value = value.filter(|v| !v.is_empty()).map(|v| short(&v, 60)).unwrap_or_default();
    let _ = write!(html, "<div><dt>{label}</dt><dd>{value}</dd></div>");
}

fn plain(x: f64) -> String {
    let text = format!("{x:.1}");
    text.strip_suffix(".0").map(Into::into).unwrap_or(text)
}

fn more(html: &mut String, left: usize, place: &str) {
    if left > 0 {
        let _ = write!(html, "<p class=\"more\">and {left} more, in {place}</p>");
    }
}

pub(super) fn header(r: &Record) -> Part {
    let zone = r.zone();
    let product = if r.product.is_empty() { "Make sheet".into() } else { short(&r.product, 44) };
    let mut html = format!(
        "<header><div><p class=\"dairy\">{} · make sheet</p><h1>{product}</h1></div>\
         <p class=\"lot\">Lot <b>{}</b></p></header>\n<dl class=\"facts\">",
        short(&r.dairy, 60),
        escape(&r.lot),
    );
    let on = |at: crate::lot::at::At| {
        let day = if at.day(&zone) == r.day() { String::new() } else { format!("{} ", at.day(&zone)) };
        format!("{day}{}", at.clock(&zone))
    };
    let opened = format!("{}, {}", on(r.opened), r.opened_by);
    let closed = r.closed.map(|c| format!("{}, {}", on(c), r.closed_by.as_deref().unwrap_or_default()));
    let wheels = (!r.wheels.is_empty()).then(|| match r.kg() {
        Some(kg) => format!("{} ({kg:.1} kg)", r.wheels.len()),
        None => r.wheels.len().to_string(),
    });
    field(&mut html, "Day", Some(r.day()));
    field(&mut html, "Kettle", Some(r.kettle.clone()));
    field(&mut html, "Maker", r.people.maker.clone());
    field(&mut html, "Helped", r.people.helpers.clone());
    field(&mut html, "Opened", Some(opened));
    field(&mut html, "Closed", closed.or(Some("still open".into())));
    field(&mut html, "Wheels", wheels);
    field(&mut html, "Yield", r.yield_kg_per_100_l().map(|y| format!("{y:.2} kg / 100 L")));
    html.push_str("</dl>\n");
    Part { html, height_mm: 24.5 }
}

pub(super) fn first(r: &Record, caps: &Caps) -> Part {
    if r.deviations.is_empty() {
        let html = format!(
            "<section class=\"first none\"><h2>To look at first</h2><p>{}</p></section>\n",
            looked_at(r)
        );
        return Part { html, height_mm: 16.8 };
    }
    let mut html = String::from("<section class=\"first\"><h2>To look at first</h2><ul>");
    let mut lines = 0;
    for d in r.deviations.iter().take(caps.first) {
        let _ = write!(html, "<li>{}</li>", short(d, caps.first_chars));
        lines += 1 + d.chars().take(caps.first_chars).count() / 125;
    }
    html.push_str("</ul>");
    let left = r.deviations.len().saturating_sub(caps.first);
    more(&mut html, left, "lot.toml");
    html.push_str("</section>\n");
    Part { html, height_mm: 8.6 + (lines + usize::from(left > 0)) as f64 * 3.8 }
}

pub(super) fn stages_and_milk(r: &Record, caps: &Caps) -> Part {
    let (mut left, rows) = stages(r, caps);
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
fn stages(r: &Record, caps: &Caps) -> (String, usize) {
    let zone = r.zone();
    let mut html = String::from(
        "<table><caption>Stages</caption><thead><tr><th scope=\"col\">Stage</th><th scope=\"col\" class=\"n\">began</th>\
         <th scope=\"col\" class=\"n\">planned</th><th scope=\"col\" class=\"n\">took</th>\
         <th scope=\"col\" class=\"n\">difference</th><th scope=\"col\" class=\"n\">target</th>\
         <th scope=\"col\" class=\"n\">reached</th><th scope=\"col\">seen by</th></tr></thead><tbody>",
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
        let target = cook.map(|c| c.target_celsius).or(p.to_celsius);
        let target = target.map(|c| format!("{} °C", plain(c))).unwrap_or_default();
        let reached = cook.map(|c| format!("{:.1} °C", c.peak_celsius)).unwrap_or_default();
        let off =
            cook.is_some_and(|c| (c.peak_celsius - c.target_celsius).abs() > p.band_celsius.max(0.5) + 0.005);
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

pub(super) fn alarms(r: &Record, caps: &Caps) -> Part {
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
        "<table><caption>Alarms</caption><thead><tr><th scope=\"col\">Alarm</th><th scope=\"col\" class=\"n\">raised</th>\
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

pub(super) fn limits(r: &Record, caps: &Caps) -> Part {
    if r.limits.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let mut html = String::from(
        "<table><caption>The dairy’s own limits</caption><thead><tr><th scope=\"col\">Limit</th>\
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

pub(super) fn instruments(r: &Record, caps: &Caps) -> Part {
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
    let mut right = String::from("<section><h2>Corrections</h2>");
    let mut right_mm = 6.2;
    if r.corrections.is_empty() {
        right.push_str("<p>None.</p>");
        right_mm += 3.9;
    }
    for c in r.corrections.iter().rev().take(caps.corrections) {
        let old = if c.old.is_empty() { String::new() } else { format!("{} → ", c.old) };
        let line = format!(
            "{} {}: {old}{} ({}, {}: {})",
            c.at.day(&zone),
            c.field,
            c.new,
            c.by,
            c.at.clock(&zone),
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

/// Height of a line of half the page's width, or of two, mm.
fn lines_mm(text: &str) -> f64 {
    if text.chars().count() > 58 { 7.5 } else { 3.8 }
}

pub(super) fn footer(r: &Record, former: Option<&Link>) -> Part {
    let zone = r.zone();
    let end = r.closed.unwrap_or(r.opened);
    let (a, b) = (r.opened.offset(&zone), end.offset(&zone));
    let offset =
        if a == b { format!("UTC{a}") } else { format!("UTC{a} at its beginning, UTC{b} at its end") };
    let seal = match former {
        Some(link) => format!(
            "Sealed after seal no. {} ({}…) of the chain.",
            link.number,
            &link.chain[..16.min(link.chain.len())]
        ),
        None => "The first seal of its chain.".into(),
    };
    let gist: Vec<String> = r
        .stretches
        .iter()
        .take(4)
        .map(|s| format!("{} of probe {}", counted(s.readings, "reading"), escape(&s.probe)))
        .collect();
    let html = format!(
        "<footer><div class=\"sign-here\"><span>Maker</span><span>Checked</span></div>\
         <p>Times are those of {} ({offset}). Trace: {}. {seal} Whether the record is as it was closed: curdtrace lot verify {}, or sha256sum -c SHA256SUMS.</p></footer>\n",
        escape(&r.time_zone),
        if gist.is_empty() { "none".into() } else { gist.join(", ") },
        escape(&r.lot),
    );
    Part { html, height_mm: 20.0 }
}
