//! What it can be shown by: alarms, limits, instruments, corrections.

use std::fmt::Write as _;

use super::{Caps, HEADING_MM, LINE_MM, MORE_MM, ROW_MM, SMALL_PT, Space, WIDTH_MM, form, more, table_head};
use crate::lot::at::At;
use crate::lot::chart::escape;
use crate::lot::correct::{AFTER_CLOSING, ATTACHED_LATE, LISTED, TAKEN_OVER};
use crate::lot::record::{AlarmDone, Correction, Instrument, Record};
use crate::lot::sheet::Part;
use crate::words::Words;

/// Width of one of two columns, mm.
const HALF_MM: f64 = 91.0;

pub(in crate::lot::sheet) fn alarms(r: &Record, caps: &Caps, w: &Words) -> Part {
    let zone = r.zone();
    let mut shown: Vec<&AlarmDone> = r.alarms.iter().collect();
    // With more than have room, the weightier stay; what asked nobody to come goes first.
    let weight = |a: &AlarmDone| ["high", "medium", "low"].iter().position(|p| *p == a.priority).unwrap_or(3);
    let only_shown = |a: &AlarmDone| a.taken.is_none() && a.is_only_shown();
    shown.sort_by_key(|a| (only_shown(a), weight(a), a.raised));
    shown.truncate(caps.alarms);
    shown.sort_by_key(|a| a.raised);
    if shown.is_empty() {
        let (title, none) = (w.word("sheet-alarms"), w.word("sheet-none"));
        return Part::whole(format!("<section><h2>{title}</h2><p>{none}</p></section>\n"), 11.0);
    }
    let columns = [
        ("sheet-alarm", false),
        ("sheet-raised", true),
        ("°C", true),
        ("sheet-taken-by", false),
        ("sheet-after", true),
        ("sheet-said", false),
    ];
    let mut html = table_head(w, "sheet-alarms", "alarms", &columns);
    let after = |a: &AlarmDone| {
        a.taken.map(|t| {
            let s = t.minutes_since(a.raised) * 60.0;
            if s < 120.0 { format!("{s:.0} s") } else { format!("{:.0} min", s / 60.0) }
        })
    };
    // The last column has what the others leave.
    let (name, plain) = (Space::bold(0.0, 1), Space::plain(0.0, 1));
    let widest = |space: Space, heading: &str, of: &dyn Fn(&AlarmDone) -> String| {
        let heading_mm = Space { pt: SMALL_PT, ..plain }.width_of_mm(&w.word(heading));
        shown.iter().map(|a| space.width_of_mm(&of(a))).fold(heading_mm, f64::max) + 1.6
    };
    // A column that is wider is made so wide by the style; the longest words for what only
    // showed stand in one line.
    let by_mm = widest(plain, "sheet-taken-by", &|a| a.taken_by_whom(w));
    let (by_mm, by_class) = if by_mm > 30.0 { (28.0, " class=\"by\"") } else { (by_mm, "") };
    let others_mm = widest(name, "sheet-alarm", &|a| w.one_of("alarm", &a.alarm))
        + widest(plain, "sheet-raised", &|a| a.raised.clock(&zone))
        + widest(plain, "sheet-after", &|a| after(a).unwrap_or_default())
        + by_mm
        + 9.0;
    let said_space = Space::plain(WIDTH_MM - others_mm - 1.6, caps.lines);
    let by_space = Space::plain(by_mm - 1.6, caps.lines);
    let (mut cut, mut rows_mm) = (false, 0.0);
    for a in &shown {
        let whole = a.said_in(w);
        let said = if caps.whole_alarms { whole.as_str() } else { sentences(&whole, said_space) };
        let (said, lines) = said_space.fit(said, &mut cut);
        let (by, by_lines) = by_space.fit(&a.taken_by_whom(w), &mut cut);
        let _ = write!(
            html,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{}</td><td{by_class}>{by}</td>\
             <td class=\"n\">{}</td><td class=\"wide\">{said}</td></tr>",
            escape(&w.one_of("alarm", &a.alarm)),
            a.raised.clock(&zone),
            a.celsius.map(|c| w.number(c, 1)).unwrap_or_default(),
            after(a).unwrap_or_default(),
        );
        rows_mm += ROW_MM + (lines.max(by_lines) - 1) as f64 * LINE_MM;
    }
    html.push_str("</tbody></table>\n");
    let left = r.alarms.len() - shown.len();
    let more_mm = more(&mut html, left, cut, w);
    let rest = if more_mm > 0.0 { alarms(r, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm: 9.5 + rows_mm + more_mm, rest }
}

/// As many whole sentences as stand on a line, or all where the first does not.
fn sentences(text: &str, space: Space) -> &str {
    let ends = text.match_indices(". ").map(|(i, _)| i + 1).chain([text.len()]);
    let fits = ends.filter(|end| space.lines(&text[..*end]) == 1).last();
    fits.map_or(text, |end| &text[..end])
}

pub(in crate::lot::sheet) fn limits(r: &Record, caps: &Caps, w: &Words) -> Part {
    if r.limits.is_empty() {
        return Part::whole(String::new(), 0.0);
    }
    let columns = [
        ("sheet-limit", false),
        ("sheet-is", false),
        ("sheet-found", false),
        ("sheet-verdict", false),
        ("sheet-source", false),
    ];
    let mut html = table_head(w, "sheet-limits", "limits", &columns);
    let mut shown: Vec<_> = r.limits.iter().collect();
    shown.sort_by_key(|l| ["fail", "not-known", "pass"].iter().position(|v| *v == l.verdict));
    let (mut cut, mut rows_mm) = (false, 0.0);
    for l in shown.iter().take(caps.limits) {
        let mut most = 1;
        let mut cell = |text: &str, mm: f64, bold: bool| {
            let space = Space { bold, ..Space::plain(mm - 1.6, caps.lines) };
            let (html, lines) = space.fit(text, &mut cut);
            most = most.max(lines);
            html
        };
        // As the style has the columns.
        let (name, source) = (cell(&l.name, 42.0, true), cell(&l.source, 23.0, false));
        let (is, found) = (cell(&l.limit_in(w), 44.0, false), cell(&l.found_in(w), 52.0, false));
        let _ = write!(
            html,
            "<tr class=\"{v}\"><th scope=\"row\">{name}</th><td>{is}</td><td>{found}</td>\
             <td class=\"verdict\">{}</td><td>{source}</td></tr>",
            escape(&w.one_of("verdict", &l.verdict)),
            v = escape(&l.verdict),
        );
        rows_mm += ROW_MM + (most - 1) as f64 * LINE_MM;
    }
    html.push_str("</tbody></table>\n");
    let left = r.limits.len().saturating_sub(caps.limits);
    let more_mm = more(&mut html, left, cut, w);
    let rest = if more_mm > 0.0 { limits(r, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm: 9.5 + rows_mm + more_mm, rest }
}

/// Instruments and corrections, beside each other where that is lower.
pub(in crate::lot::sheet) fn instruments(r: &Record, caps: &Caps, w: &Words) -> Part {
    let (left, beside) = (thermometers(r, caps, w), corrections(r, caps, HALF_MM, w));
    let below = corrections(r, caps, WIDTH_MM, w);
    let (beside_mm, below_mm) = (left.height_mm.max(beside.height_mm), left.height_mm + below.height_mm);
    let (html, height_mm, rest) = if beside_mm <= below_mm {
        (format!("<div class=\"half\">{}{}</div>\n", left.html, beside.html), beside_mm, beside.rest)
    } else {
        (format!("{}{}\n", left.html, below.html), below_mm, below.rest)
    };
    Part { html, height_mm, rest: left.rest + &rest }
}

fn thermometers(r: &Record, caps: &Caps, w: &Words) -> Part {
    let mut html = format!("<section><h2>{}</h2>", w.word("sheet-instruments"));
    let (mut cut, mut height_mm) = (false, HEADING_MM);
    if r.instruments.is_empty() {
        let _ = write!(html, "<p>{}</p>", w.word("sheet-no-instrument"));
        height_mm += LINE_MM;
    }
    for i in r.instruments.iter().take(caps.instruments) {
        let (text, lines) = Space::plain(HALF_MM, caps.lines_up_to(3)).fit(&instrument(r, i, w), &mut cut);
        let _ = write!(html, "<p>{text}</p>");
        height_mm += lines as f64 * LINE_MM;
    }
    // Of one lot there is one label to look at: the kettle's own.
    html.push_str("<dl class=\"form\">");
    let space = Space::bold(HALF_MM - 26.0, caps.lines_up_to(3));
    let typed = r.thermometer.as_deref();
    let lines = form::field(&mut html, &w.word("sheet-type-and-number"), typed, space, &mut cut);
    html.push_str("</dl>");
    height_mm += form::FIELD_MM + (lines - 1) as f64 * LINE_MM;
    let left = r.instruments.len().saturating_sub(caps.instruments);
    height_mm += more(&mut html, left, cut, w);
    html.push_str("</section>");
    let rest = if left > 0 || cut { thermometers(r, &Caps::NONE, w).html } else { String::new() };
    Part { html, height_mm, rest }
}

/// A probe and the calibration that held.
fn instrument(r: &Record, i: &Instrument, w: &Words) -> String {
    let mut what = match &i.calibrated {
        Some(at) => w.say("sheet-calibrated", &[("day", &at.day(&r.zone()))]),
        None => w.word("sheet-uncalibrated"),
    };
    if let Some(how) = i.calibrated.and_then(|_| i.calibration_in(w)) {
        let _ = write!(what, ", {how}");
    }
    if let Some(u) = i.uncertainty_celsius {
        let _ = write!(what, "; {}", w.say("sheet-uncertainty", &[("celsius", &w.number(u, 2))]));
    }
    w.say("sheet-probe", &[("probe", &i.probe), ("what", &what)])
}

fn corrections(r: &Record, caps: &Caps, width_mm: f64, w: &Words) -> Part {
    let mut html = format!("<section class=\"corrections\"><h2>{}</h2>", w.word("sheet-corrections"));
    if r.corrections.is_empty() {
        let _ = write!(html, "<p>{}</p></section>", w.word("sheet-none"));
        return Part::whole(html, HEADING_MM + LINE_MM);
    }
    // The newest first, and what was said at once together.
    let zone = r.zone();
    let is_one = |a: &Correction, b: &Correction| {
        (&a.by, &a.reason, a.at.clock(&zone), a.at.day(&zone))
            == (&b.by, &b.reason, b.at.clock(&zone), b.at.day(&zone))
    };
    let mut together: Vec<_> = r.corrections.chunk_by(is_one).collect();
    together.reverse();
    let (mut cut, mut height_mm) = (false, HEADING_MM);
    for of in together.iter().take(caps.corrections) {
        let (text, lines) = Space::plain(width_mm, caps.lines).fit(&corrected(r, of, w), &mut cut);
        let _ = write!(html, "<p>{text}</p>");
        height_mm += lines as f64 * LINE_MM;
    }
    let left = together.iter().skip(caps.corrections).map(|of| of.len()).sum();
    let more_mm = more(&mut html, left, cut, w);
    debug_assert!(more_mm <= MORE_MM);
    html.push_str("</section>");
    let rest = if more_mm > 0.0 { corrections(r, &Caps::NONE, WIDTH_MM, w).html } else { String::new() };
    Part { html, height_mm: height_mm + more_mm, rest }
}

/// What one person corrected at once, for one reason.
fn corrected(r: &Record, of: &[Correction], w: &Words) -> String {
    let Some(first) = of.first() else { return String::new() };
    let (zone, at) = (r.zone(), first.at);
    let what: Vec<String> = of.iter().map(|c| changed(r, c, w)).collect();
    format!(
        "{} {}, {}: {} ({})",
        at.day(&zone),
        at.clock(&zone),
        first.by,
        what.join("; "),
        reason(&first.reason, w)
    )
}

/// A field, what stood there and what stands there now.
fn changed(r: &Record, c: &Correction, w: &Words) -> String {
    let field = match c.field.strip_prefix("mark.") {
        Some(name) => format!("{} {}", w.word("field-mark"), w.one_of("mark", name)),
        // A wheel's own name may have a point in it.
        None if LISTED
            .iter()
            .any(|f| f.0.split('.').next() == c.field.split_once('.').map(|part| part.0)) =>
        {
            c.field.clone()
        }
        None => w.one_of("field", &c.field.replace('.', "-")),
    };
    let old = if c.old.is_empty() { String::new() } else { format!("{} → ", said(r, &c.old, w)) };
    let new = if c.new.is_empty() { w.word("sheet-struck") } else { said(r, &c.new, w) };
    format!("{field} {old}{new}")
}

/// A value as the record keeps it, as a person writes it. Of a whole wheel or milking the
/// figures and words: its name stands before.
fn said(r: &Record, value: &str, words: &Words) -> String {
    if let Ok(whole) = format!("is = {value}").parse::<toml::Table>()
        && let Some(whole) = whole.get("is").and_then(toml::Value::as_table)
    {
        let told = whole.iter().filter(|(key, _)| !matches!(key.as_str(), "wheel" | "milking"));
        return told.map(|(_, v)| said(r, &v.to_string(), words)).collect::<Vec<_>>().join(", ");
    }
    match value.strip_prefix('"').and_then(|v| v.strip_suffix('"')) {
        Some(text) => match text.parse::<At>() {
            Ok(at) if at.day(&r.zone()) == r.day() => at.clock_s(&r.zone()),
            Ok(at) => format!("{} {}", at.day(&r.zone()), at.clock_s(&r.zone())),
            Err(_) => text.to_owned(),
        },
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
