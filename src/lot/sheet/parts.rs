//! The parts of the sheet.

use std::fmt::Write as _;

use super::Part;
use crate::lot::chart::escape;
use crate::lot::findings::{deviations, looked_at};
use crate::lot::record::Record;
use crate::lot::seal::Link;
use crate::words::Words;

mod making;
mod proof;

pub(super) use making::stages_and_milk;
pub(super) use proof::{alarms, instruments, limits};

/// Height of a row of a table, and of a line of text, mm.
const ROW_MM: f64 = 4.2;

/// So many characters has a line of the foot's small print.
const FOOT_CHARS: usize = 150;

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

fn more(html: &mut String, left: usize, place: &str, words: &Words) {
    if left > 0 {
        let said = words.say("sheet-more", &[("n", &left.to_string()), ("file", place)]);
        let _ = write!(html, "<p class=\"more\">{said}</p>");
    }
}

/// The head of a table: its caption, and its columns with whether they hold
/// figures.
fn table_head(words: &Words, caption: &str, columns: &[(&str, bool)]) -> String {
    let mut html = format!("<table><caption><h2>{}</h2></caption><thead><tr>", words.word(caption));
    for (key, figures) in columns {
        let class = if *figures { " class=\"n\"" } else { "" };
        let _ = write!(html, "<th scope=\"col\"{class}>{}</th>", words.word(key));
    }
    html.push_str("</tr></thead><tbody>");
    html
}

pub(super) fn header(r: &Record, w: &Words) -> Part {
    let zone = r.zone();
    let product = if r.product.is_empty() { w.word("sheet-name") } else { short(&r.product, 100) };
    // A long name takes two lines of smaller letters.
    let long = r.product.chars().count() > 44;
    let class = if long { " class=\"long\"" } else { "" };
    let mut html = format!(
        "<header><div><p class=\"dairy\">{} · {}</p><h1{class}>{product}</h1></div>\
         <p class=\"lot\">{} <b>{}</b></p></header>\n<dl class=\"facts\">",
        short(&r.dairy, 60),
        w.word("sheet-name"),
        w.word("lot"),
        escape(&r.lot),
    );
    let on = |at: crate::lot::at::At| {
        let day = if at.day(&zone) == r.day() { String::new() } else { format!("{} ", at.day(&zone)) };
        format!("{day}{}", at.clock(&zone))
    };
    let opened = format!("{}, {}", on(r.opened), r.opened_by);
    let closed = r.closed.map(|c| format!("{}, {}", on(c), r.closed_by.as_deref().unwrap_or_default()));
    let wheels = (!r.wheels.is_empty()).then(|| match r.kg() {
        Some(kg) => format!("{} ({} kg)", r.wheels.len(), w.number(kg, 1)),
        None => r.wheels.len().to_string(),
    });
    let mut field = |key, value| field(&mut html, &w.word(key), value);
    field("sheet-day", Some(r.day()));
    field("kettle", Some(r.kettle.clone()));
    field("sheet-maker", r.people.maker.clone());
    field("sheet-helped", r.people.helpers.clone());
    field("sheet-opened", Some(opened));
    field("sheet-closed", closed.or(Some(w.word("sheet-still-open"))));
    field("sheet-wheels", wheels);
    field("season-yield", r.yield_kg_per_100_l().map(|y| format!("{} kg / 100 L", w.number(y, 2))));
    html.push_str("</dl>\n");
    Part { html, height_mm: if long { 29.0 } else { 24.5 } }
}

pub(super) fn first(r: &Record, caps: &Caps, w: &Words) -> Part {
    let (title, deviations) = (w.word("sheet-first"), deviations(r, w));
    if deviations.is_empty() {
        let html =
            format!("<section class=\"first none\"><h2>{title}</h2><p>{}</p></section>\n", looked_at(r, w));
        return Part { html, height_mm: 16.8 };
    }
    let mut html = format!("<section class=\"first\"><h2>{title}</h2><ul>");
    let mut lines = 0;
    for d in deviations.iter().take(caps.first) {
        let _ = write!(html, "<li>{}</li>", short(d, caps.first_chars));
        lines += 1 + d.chars().take(caps.first_chars).count() / 125;
    }
    html.push_str("</ul>");
    let left = deviations.len().saturating_sub(caps.first);
    more(&mut html, left, "lot.toml", w);
    html.push_str("</section>\n");
    Part { html, height_mm: 8.6 + (lines + usize::from(left > 0)) as f64 * 3.8 }
}

/// What the signs on the curve mean; only those that are on it.
pub(super) fn key(r: &Record, w: &Words) -> Part {
    let mut signs = Vec::new();
    if r.plan.is_some() {
        signs.push("sheet-key-band");
    }
    if !r.marks.is_empty() {
        signs.push("sheet-key-mark");
    }
    if r.alarms.iter().any(|a| matches!(a.alarm.as_str(), "heat-off" | "over-target")) {
        signs.push("sheet-key-call");
    }
    if !r.gaps.is_empty() {
        signs.push("sheet-key-gap");
    }
    if !r.stretches.is_empty() {
        signs.push("sheet-key-spike");
    }
    if signs.is_empty() {
        return Part { html: String::new(), height_mm: 0.0 };
    }
    let signs: Vec<String> = signs.into_iter().map(|key| w.word(key)).collect();
    let text = w.say("sheet-key", &[("signs", &signs.join(" · "))]);
    let height_mm = if text.chars().count() > 150 { 7.0 } else { 3.8 };
    Part { html: format!("<figcaption class=\"key\">{text}</figcaption>"), height_mm }
}

pub(super) fn footer(r: &Record, former: Option<&Link>, w: &Words) -> Part {
    let zone = r.zone();
    let end = r.closed.unwrap_or(r.opened);
    let (a, b) = (r.opened.offset(&zone), end.offset(&zone));
    let offset = if a == b { format!("UTC{a}") } else { w.say("sheet-zone-two", &[("a", &a), ("b", &b)]) };
    let seal = match former {
        _ if r.closed.is_none() => w.word("sheet-seal-open"),
        Some(link) => {
            let sum = &link.chain[..16.min(link.chain.len())];
            w.say("sheet-seal-after", &[("n", &link.number.to_string()), ("sum", sum)])
        }
        None => w.word("sheet-seal-first"),
    };
    let gist: Vec<String> = r
        .stretches
        .iter()
        .take(4)
        .map(|s| w.say("sheet-trace-of", &[("n", &s.readings.to_string()), ("probe", &escape(&s.probe))]))
        .collect();
    let zone = if r.time_zone.is_empty() { "UTC".into() } else { escape(&r.time_zone) };
    let trace = if gist.is_empty() { w.word("sheet-trace-none") } else { gist.join(", ") };
    let values =
        [("zone", &zone), ("offset", &offset), ("trace", &trace), ("seal", &seal), ("lot", &escape(&r.lot))];
    let values = values.map(|(name, v)| (name, v.as_str()));
    let foot = w.say("sheet-foot", &values);
    let html = format!(
        "<footer><div class=\"sign-here\"><span>{}</span><span>{}</span></div><p>{foot}</p></footer>\n",
        w.word("sheet-maker"),
        w.word("sheet-checked"),
    );
    let lines = foot.chars().count().div_ceil(FOOT_CHARS).max(2);
    Part { html, height_mm: 13.4 + lines as f64 * 3.3 }
}
