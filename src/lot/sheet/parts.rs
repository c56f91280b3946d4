//! The parts of the sheet.

use std::fmt::Write as _;

use super::Part;
use crate::lot::chart::escape;
use crate::lot::findings::looked_at;
use crate::lot::picture::counted;
use crate::lot::record::Record;
use crate::lot::seal::Link;

mod making;
mod proof;

pub(super) use making::stages_and_milk;
pub(super) use proof::{alarms, instruments, limits};

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
        let _ = write!(html, "<p class=\"more\">and {left} more: see {place} in the lot’s folder</p>");
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

/// What the signs on the curve mean; only those that are on it.
pub(super) fn key(r: &Record) -> Part {
    let mut signs = Vec::new();
    if r.plan.is_some() {
        signs.push("shaded band: what the plan wants");
    }
    if !r.marks.is_empty() {
        signs.push("circled number: marked by hand");
    }
    if r.alarms.iter().any(|a| matches!(a.alarm.as_str(), "heat-off" | "over-target")) {
        signs.push("▲ called");
    }
    if !r.gaps.is_empty() {
        signs.push("hatched: no good reading");
    }
    if !r.stretches.is_empty() {
        signs.push("lone spikes: odd readings, kept as they came");
    }
    if signs.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let text = signs.join(" · ");
    let height_mm = if text.chars().count() > 160 { 7.0 } else { 3.8 };
    Part { html: format!("<figcaption class=\"key\">On the curve: {text}.</figcaption>"), height_mm }
}

pub(super) fn footer(r: &Record, former: Option<&Link>) -> Part {
    let zone = r.zone();
    let end = r.closed.unwrap_or(r.opened);
    let (a, b) = (r.opened.offset(&zone), end.offset(&zone));
    let offset =
        if a == b { format!("UTC{a}") } else { format!("UTC{a} at its beginning, UTC{b} at its end") };
    let seal = match former {
        _ if r.closed.is_none() => "Still open, so not sealed yet.".into(),
        Some(link) => format!(
            "Sealed; the seal before it in the dairy’s chain is no. {} ({}…).",
            link.number,
            &link.chain[..16.min(link.chain.len())]
        ),
        None => "Sealed; the first seal of the dairy’s chain.".into(),
    };
    let gist: Vec<String> = r
        .stretches
        .iter()
        .take(4)
        .map(|s| format!("{} of probe {}", counted(s.readings, "reading"), escape(&s.probe)))
        .collect();
    let html = format!(
        "<footer><div class=\"sign-here\"><span>Maker</span><span>Checked</span></div>\
         <p>Times are those of {} ({offset}). Trace, kept by curdtrace as read: {}. {seal} \
         Whether the record is as it was closed: “curdtrace lot verify {}”, or “sha256sum -c SHA256SUMS” in its folder.</p></footer>\n",
        if r.time_zone.is_empty() { "UTC".into() } else { escape(&r.time_zone) },
        if gist.is_empty() { "none".into() } else { gist.join(", ") },
        escape(&r.lot),
    );
    Part { html, height_mm: 20.0 }
}
