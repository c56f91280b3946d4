//! The make sheet: one A4 page for whoever has never seen it. Pure.
//!
//! It reads from top to bottom as a person asks: what and when, what to look at
//! first, the curve, the stages against the plan, what went in and came out, what
//! called and who came, the dairy's limits, the instruments, what was corrected. A
//! field nobody entered is a dotted line to fill in by hand.
//!
//! What is printed is one page, and the curve takes what is left over. Where there is
//! more to say than a page bears, it has as much of each part as it can, and each part
//! that is not whole stands whole below it on a screen: nothing is left out.
//!
//! Deliberately absent: scripts, fonts, pictures or anything else to fetch.

use std::collections::BTreeMap;

use super::chart::{draw, escape};
use super::gather::Point;
use super::picture::{main_points, picture};
use super::record::Record;
use super::seal::Link;
use parts::Caps;

mod parts;

/// Printed width, in the drawing's units: 188 mm.
const WIDTH: f64 = 711.0;

/// One mm in the drawing's units.
const UNITS_PER_MM: f64 = WIDTH / 188.0;

/// The page between its margins, mm, less what rounding and fonts may take.
const PAGE_MM: f64 = 297.0 - 18.0 - 1.0;

/// The curve is never lower than this, mm, nor higher than the next.
const CURVE_MM: (f64, f64) = (36.0, 106.0);

/// The sheet as one HTML file in the record's language. `former` is the newest seal before this one.
pub fn render(record: &Record, points: &BTreeMap<String, Vec<Point>>, former: Option<&Link>) -> String {
    let words = record.words();
    let footer = parts::footer(record, former, words);
    let key = parts::key(record, words);
    let main = main_points(record, points);
    let of = |caps: &Caps| {
        [
            parts::header(record, caps, words),
            parts::first(record, caps, words),
            parts::how_made(record, main, caps, words),
            parts::alarms(record, caps, words),
            parts::limits(record, caps, words),
            parts::instruments(record, caps, words),
        ]
    };
    let left_mm = |parts: &[Part]| {
        PAGE_MM - key.height_mm - footer.height_mm - parts.iter().map(|p| p.height_mm).sum::<f64>()
    };
    let mut parts = of(&Caps::NONE);
    for caps in Caps::steps() {
        if left_mm(&parts) >= CURVE_MM.0 {
            break;
        }
        parts = of(&caps);
    }
    let curve_mm = left_mm(&parts).clamp(CURVE_MM.0, CURVE_MM.1);
    let curve = draw(&picture(record, points, WIDTH, curve_mm * UNITS_PER_MM - 8.0, words));
    let beyond = if parts.iter().all(|p| p.rest.is_empty()) {
        String::new()
    } else {
        let rest: String = parts.iter().map(|p| p.rest.as_str()).collect();
        format!("{}{rest}</section>\n", parts::beyond_head(record, words))
    };
    let [header, first, below @ ..] = parts;
    let below: String = below.into_iter().map(|p| p.html).collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"{lang}\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}</title>\n<style>\n{style}</style>\n</head>\n<body>\n\
         {header}<main>\n{first}<figure>{curve}{key}</figure>\n{below}</main>\n{footer}{beyond}</body>\n</html>\n",
        lang = words.code(),
        title = escape(&words.say("sheet-title", &[("lot", &record.lot), ("dairy", &record.dairy)])),
        style = include_str!("sheet/style.css"),
        header = header.html,
        first = first.html,
        key = key.html,
        footer = footer.html,
    )
}

/// A part of the page and about how high it is.
struct Part {
    html: String,
    height_mm: f64,
    /// What of it did not find room whole, whole; empty where all did.
    rest: String,
}

impl Part {
    /// One that is whole.
    fn whole(html: String, height_mm: f64) -> Self {
        Self { html, height_mm, rest: String::new() }
    }
}
