//! The parts of the sheet.

use std::fmt::Write as _;

use super::Part;
use crate::lot::at::At;
use crate::lot::chart::escape;
use crate::lot::findings::{deviations, looked_at};
use crate::lot::record::Record;
use crate::lot::seal::Link;
use crate::words::Words;
use lines::{SMALL_PT, Space};

mod form;
mod lines;
mod making;
mod proof;

pub(super) use making::how_made;
pub(super) use proof::{alarms, instruments, limits};

/// Width of the page between its margins, mm.
const WIDTH_MM: f64 = 188.0;

/// Height of a row of a table with one line, mm.
const ROW_MM: f64 = 4.3;

/// Height of a line of text, mm.
const LINE_MM: f64 = 3.75;

/// Height of a heading with what keeps it from the part before, mm.
const HEADING_MM: f64 = 6.3;

/// Height of the line that says that something is not whole, mm.
const MORE_MM: f64 = 3.6;

/// The most rows of each part, and the most lines of a text.
#[derive(Debug, Clone)]
pub(super) struct Caps {
    first: usize,
    stages: usize,
    marks: usize,
    ph: usize,
    alarms: usize,
    limits: usize,
    instruments: usize,
    corrections: usize,
    /// Lines of a text within a row.
    lines: usize,
    /// Whether an alarm says all it said, or as many sentences as stand on a line.
    whole_alarms: bool,
}

impl Caps {
    /// All there is.
    pub(super) const NONE: Self = Self {
        first: usize::MAX,
        stages: usize::MAX,
        marks: usize::MAX,
        ph: usize::MAX,
        alarms: usize::MAX,
        limits: usize::MAX,
        instruments: usize::MAX,
        corrections: usize::MAX,
        lines: usize::MAX,
        whole_alarms: true,
    };

    /// Less and less, down to what always has room: the most lines of a text, and how
    /// many rows there are of what there is most of.
    const STEPS: [(usize, usize); 22] = [
        (4, 24),
        (4, 20),
        (4, 16),
        (4, 12),
        (4, 8),
        (2, 20),
        (2, 16),
        (2, 12),
        (2, 10),
        (2, 8),
        (2, 6),
        (2, 5),
        (2, 4),
        (2, 3),
        (2, 2),
        (1, 8),
        (1, 6),
        (1, 4),
        (1, 3),
        (1, 2),
        (1, 1),
        (1, 0),
    ];

    /// Step by step less; first of all the advice that came with an alarm.
    pub(super) fn steps() -> impl Iterator<Item = Self> {
        let without_advice = Self { whole_alarms: false, ..Self::NONE };
        let less = Self::STEPS.into_iter().map(|(lines, n)| Self {
            first: n / 3 + 3,
            stages: n + 7,
            // Three stand in a row.
            marks: 2 * n + 3,
            ph: n + 3,
            alarms: n + 2,
            limits: n + 2,
            instruments: n / 2 + 1,
            corrections: n + 1,
            lines,
            whole_alarms: false,
        });
        std::iter::once(without_advice).chain(less)
    }

    /// The most lines of a field: what persons wrote goes before what was called.
    fn form_lines(&self) -> usize {
        match self.lines {
            0 | 1 => self.lines,
            2 => 4,
            more => more.saturating_mul(3),
        }
    }

    /// A most number of lines, where long texts have less anyhow.
    fn lines_up_to(&self, most: usize) -> usize {
        self.lines.min(most)
    }
}

/// What says that a list, or a text, stands whole below the page, on a screen.
fn more(html: &mut String, left: usize, cut: bool, words: &Words) -> f64 {
    if left == 0 && !cut {
        return 0.0;
    }
    let said = match left {
        0 => words.word("sheet-cut-short"),
        n => words.say("sheet-more", &[("n", &n.to_string())]),
    };
    let _ = write!(html, "<p class=\"more\">{said}</p>");
    MORE_MM
}

/// The head of a table: its caption, and its columns with whether they hold
/// figures.
fn table_head(words: &Words, caption: &str, class: &str, columns: &[(&str, bool)]) -> String {
    let mut html =
        format!("<table class=\"{class}\"><caption><h2>{}</h2></caption><thead><tr>", words.word(caption));
    for (key, figures) in columns {
        let class = if *figures { " class=\"n\"" } else { "" };
        let _ = write!(html, "<th scope=\"col\"{class}>{}</th>", words.word(key));
    }
    html.push_str("</tr></thead><tbody>");
    html
}

/// Who opened or closed it: a name, or the words for somebody.
fn whom(by: &str, words: &Words) -> String {
    if by == crate::lot::life::SOMEBODY { words.word("sheet-somebody") } else { by.to_owned() }
}

/// What stands above what found no room on the page.
pub(super) fn beyond_head(r: &Record, w: &Words) -> String {
    format!(
        "<section class=\"beyond\"><header><p class=\"dairy\">{} · {}</p><p class=\"lot\">{} <b>{}</b></p></header>",
        escape(&r.dairy),
        w.word("sheet-beyond"),
        w.word("lot"),
        escape(&r.lot),
    )
}

pub(super) fn header(r: &Record, caps: &Caps, w: &Words) -> Part {
    let mut cut = false;
    let name = Space { pt: 13.0, ..Space::bold(118.0, caps.lines_up_to(2)) };
    // A long name takes smaller letters.
    let long = r.product.chars().count() > 44;
    let (product, lines) = if r.product.is_empty() {
        (w.word("sheet-name"), 1)
    } else if long {
        name.fit(&r.product, &mut cut)
    } else {
        (escape(&r.product), 1)
    };
    let (dairy, _) = Space { pt: 9.5, ..Space::plain(110.0, 1) }.fit(&r.dairy, &mut cut);
    let class = if long { " class=\"long\"" } else { "" };
    let mut html = format!(
        "<header><div><p class=\"dairy\">{dairy} · {}</p><h1{class}>{product}</h1></div>\
         <p class=\"lot\">{} <b>{}</b></p></header>\n",
        w.word("sheet-name"),
        w.word("lot"),
        escape(&r.lot),
    );
    let (facts, rows_mm) = facts(r, caps.lines_up_to(3), &mut cut, w);
    html.push_str(&facts);
    let name_mm = if long { 8.2 + lines as f64 * 5.1 } else { 12.0 };
    let rest = if cut {
        format!("<h2>{}</h2>{}", escape(&r.product), self::facts(r, usize::MAX, &mut false, w).0)
    } else {
        String::new()
    };
    Part { html, height_mm: name_mm + 3.4 + rows_mm, rest }
}

/// The fields below the name, four a row, and how high they are, mm.
fn facts(r: &Record, most: usize, cut: &mut bool, w: &Words) -> (String, f64) {
    let zone = r.zone();
    let on = |at: At| {
        let day = if at.day(&zone) == r.day() { String::new() } else { format!("{} ", at.day(&zone)) };
        format!("{day}{}", at.clock(&zone))
    };
    let opened = format!("{}, {}", on(r.opened), whom(&r.opened_by, w));
    let closed =
        r.closed.map(|c| format!("{}, {}", on(c), whom(r.closed_by.as_deref().unwrap_or_default(), w)));
    let wheels = (!r.wheels.is_empty()).then(|| match r.kg() {
        Some(kg) => format!("{} ({} kg)", r.wheels.len(), w.number(kg, 1)),
        None => r.wheels.len().to_string(),
    });
    let fields = [
        ("sheet-day", Some(r.day())),
        ("kettle", Some(r.kettle.clone())),
        ("sheet-maker", r.people.maker.clone()),
        ("sheet-helped", r.people.helpers.clone()),
        ("sheet-opened", Some(opened)),
        ("sheet-closed", closed.or(Some(w.word("sheet-still-open")))),
        ("sheet-wheels", wheels),
        ("season-yield", r.yield_kg_per_100_l().map(|y| format!("{} kg / 100 L", w.number(y, 2)))),
    ];
    let (mut html, mut height_mm) = (String::from("<dl class=\"facts\">"), 0.0);
    for row in fields.chunks(4) {
        let mut lines = 1;
        for (key, value) in row {
            let label = w.word(key);
            let label_mm = Space { pt: SMALL_PT, ..Space::plain(0.0, 1) }.width_of_mm(&label);
            let space = Space::bold(44.0 - label_mm - 2.0, most);
            lines = lines.max(form::field(&mut html, &label, value.as_deref(), space, cut));
        }
        height_mm += form::FIELD_MM + (lines - 1) as f64 * LINE_MM;
    }
    html.push_str("</dl>\n");
    (html, height_mm)
}

pub(super) fn first(r: &Record, caps: &Caps, w: &Words) -> Part {
    let (title, deviations) = (w.word("sheet-first"), deviations(r, w));
    if deviations.is_empty() {
        let text = looked_at(r, w);
        let lines = Space::plain(180.0, usize::MAX).lines(&text);
        let html = format!("<section class=\"first none\"><h2>{title}</h2><p>{text}</p></section>\n");
        return Part::whole(html, 9.2 + lines as f64 * LINE_MM);
    }
    let list = |most: usize, space: Space, cut: &mut bool| {
        let (mut html, mut lines) = (String::from("<ul>"), 0);
        for d in deviations.iter().take(most) {
            let (text, of) = space.fit(d, cut);
            let _ = write!(html, "<li>{text}</li>");
            lines += of;
        }
        html.push_str("</ul>");
        (html, lines)
    };
    let mut cut = false;
    let (said, lines) = list(caps.first, Space::plain(176.0, caps.lines_up_to(3)), &mut cut);
    let mut html = format!("<section class=\"first\"><h2>{title}</h2>{said}");
    let left = deviations.len().saturating_sub(caps.first);
    let more_mm = more(&mut html, left, cut, w);
    html.push_str("</section>\n");
    let rest = if more_mm > 0.0 {
        let all = list(usize::MAX, Space::plain(176.0, usize::MAX), &mut false).0;
        format!("<section class=\"first\"><h2>{title}</h2>{all}</section>")
    } else {
        String::new()
    };
    Part { html, height_mm: 9.2 + lines as f64 * LINE_MM + more_mm, rest }
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
        return Part::whole(String::new(), 0.0);
    }
    let signs: Vec<String> = signs.into_iter().map(|key| w.word(key)).collect();
    let text = w.say("sheet-key", &[("signs", &signs.join(" · "))]);
    let lines = Space { pt: 7.0, ..Space::plain(WIDTH_MM, 2) }.lines(&text);
    Part::whole(format!("<figcaption class=\"key\">{text}</figcaption>"), 0.6 + lines as f64 * 3.2)
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
        .map(|s| w.say("sheet-trace-of", &[("n", &s.readings.to_string()), ("probe", &s.probe)]))
        .collect();
    let zone = if r.time_zone.is_empty() { "UTC" } else { &r.time_zone };
    let trace = if gist.is_empty() { w.word("sheet-trace-none") } else { gist.join(", ") };
    let values = [("zone", zone), ("offset", &offset), ("trace", &trace), ("seal", &seal)];
    let mut foot = w.say("sheet-foot", &values);
    // What is open was not closed in any state.
    if r.closed.is_some() {
        let _ = write!(foot, " {}", w.say("sheet-verify", &[("lot", &r.lot)]));
    }
    let html = format!(
        "<footer><div class=\"sign-here\"><span>{}</span><span>{}</span></div><p>{}</p></footer>\n",
        w.word("sheet-maker"),
        w.word("sheet-checked"),
        escape(&foot),
    );
    let lines = Space { pt: SMALL_PT, ..Space::plain(WIDTH_MM, 9) }.lines(&foot).max(2);
    Part::whole(html, 13.4 + lines as f64 * 3.3)
}
