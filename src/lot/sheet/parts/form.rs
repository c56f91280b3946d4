//! What persons enter, as a form: a field that nobody entered is a line to write on.

use std::fmt::Write as _;

use super::{Caps, HEADING_MM, LINE_MM, Space};
use crate::lot::record::{Record, Wheel};
use crate::lot::sheet::Part;
use crate::words::Words;

/// Height of a field of one line, mm.
pub(super) const FIELD_MM: f64 = 4.4;

/// Width of the labels of a form, mm.
const LABEL_MM: f64 = 23.0;

/// Width of the wider column, mm.
pub(super) const LEFT_MM: f64 = 113.0;

/// Width of the other one, mm.
const RIGHT_MM: f64 = 69.0;

/// A field; gives its lines.
pub(super) fn field(
    html: &mut String,
    label: &str,
    value: Option<&str>,
    space: Space,
    cut: &mut bool,
) -> usize {
    let (value, lines) = space.fit(value.unwrap_or_default(), cut);
    let _ = write!(html, "<div><dt>{label}</dt><dd>{value}</dd></div>");
    lines
}

/// A form being written.
struct Form<'a> {
    html: String,
    height_mm: f64,
    cut: bool,
    /// The most lines of a field.
    lines: usize,
    words: &'a Words,
}

impl Form<'_> {
    fn heading(&mut self, key: &str, class: &str) {
        let _ = write!(self.html, "<h2>{}</h2><dl class=\"{class}\">", self.words.word(key));
        self.height_mm += HEADING_MM;
    }

    /// A field as wide as a column.
    fn field(&mut self, key: &str, value: Option<&str>, column_mm: f64) {
        self.labelled(&self.words.word(key), value, column_mm);
    }

    fn labelled(&mut self, label: &str, value: Option<&str>, column_mm: f64) {
        // A long label leaves less to its value.
        let over_mm = Space { pt: super::SMALL_PT, ..Space::plain(0.0, 1) }.width_of_mm(label) - LABEL_MM;
        let space = Space::bold(column_mm - LABEL_MM - over_mm.max(0.0) - 1.6, self.lines);
        let lines = field(&mut self.html, label, value, space, &mut self.cut);
        self.height_mm += FIELD_MM + (lines - 1) as f64 * LINE_MM;
    }

    /// Two fields beside each other.
    fn pair(&mut self, fields: [(&str, Option<String>); 2]) {
        let space = Space::bold((LEFT_MM - 4.0) / 2.0 - LABEL_MM - 1.6, self.lines);
        let mut most = 1;
        for (key, value) in fields {
            let label = label(self.words, key, value.as_deref(), unit_of(key));
            // A long label leaves less to its value.
            let over_mm = Space { pt: super::SMALL_PT, ..space }.width_of_mm(&label) - LABEL_MM;
            let space = Space { width_mm: space.width_mm - over_mm.max(0.0), ..space };
            most = most.max(field(&mut self.html, &label, value.as_deref(), space, &mut self.cut));
        }
        self.height_mm += FIELD_MM + (most - 1) as f64 * LINE_MM;
    }

    fn end(&mut self) {
        self.html.push_str("</dl>");
    }

    fn part(self, whole: impl FnOnce() -> String) -> Part {
        let rest = if self.cut { whole() } else { String::new() };
        Part { html: self.html, height_mm: self.height_mm, rest }
    }
}

/// In what a figure is to be written where its line is still empty; filled in, it bears its own.
fn unit_of(key: &str) -> Option<&'static str> {
    match key {
        "sheet-quantity" | "sheet-whey-drawn" => Some("L"),
        "sheet-water" => Some("L, °C"),
        "sheet-came-in" => Some("°C"),
        "sheet-oldest" => Some("h"),
        "sheet-acidity" => Some("°SH"),
        _ => None,
    }
}

/// A field's label; an empty line says what is to be written on it.
fn label(w: &Words, key: &str, value: Option<&str>, unit: Option<&str>) -> String {
    match unit {
        Some(unit) if value.is_none() => format!("{} ({unit})", w.word(key)),
        _ => w.word(key),
    }
}

fn unit(w: &Words, value: Option<f64>, unit: &str) -> Option<String> {
    value.map(|v| format!("{} {unit}", w.short(v, 1)))
}

/// The curd, the whey, the wheels, and free words.
pub(super) fn curd(r: &Record, caps: &Caps, w: &Words) -> Part {
    let mut form =
        Form { html: String::new(), height_mm: 0.0, cut: false, lines: caps.form_lines(), words: w };
    let water = match (unit(w, r.curd.water_litres, "L"), unit(w, r.curd.water_celsius, "°C")) {
        (Some(litres), Some(celsius)) => Some(format!("{litres}, {celsius}")),
        (litres, celsius) => litres.or(celsius),
    };
    let drawn = unit(w, r.curd.whey_drawn_litres, "L");
    form.heading("sheet-curd", "form curd");
    form.pair([("sheet-firmness", r.curd.firmness.clone()), ("sheet-whey-drawn", drawn)]);
    form.pair([("sheet-water", water), ("sheet-press-turns", r.curd.press_turns.clone())]);
    form.pair([("sheet-brine", r.curd.brine.clone()), ("sheet-disposition", r.disposition.clone())]);
    form.field("sheet-wheels", wheels(r, w).as_deref(), LEFT_MM);
    form.field("sheet-note", r.note.as_deref(), LEFT_MM);
    form.end();
    form.part(|| curd(r, &Caps::NONE, w).html)
}

/// Each wheel with its weight and what was said of it.
fn wheels(r: &Record, w: &Words) -> Option<String> {
    let one = |wheel: &Wheel| {
        // A wheel and its weight stay on a line.
        let kg = wheel.kg.map(|kg| format!("\u{a0}{}\u{a0}kg", w.short(kg, 2))).unwrap_or_default();
        let note = wheel.note.as_deref().filter(|n| !n.is_empty());
        format!("{}:{kg}{}", wheel.wheel, note.map(|n| format!(" ({n})")).unwrap_or_default())
    };
    let all: Vec<String> = r.wheels.iter().map(one).collect();
    (!all.is_empty()).then(|| all.join(" · "))
}

/// What went in.
pub(super) fn milk(r: &Record, caps: &Caps, w: &Words) -> Part {
    let mut form =
        Form { html: String::new(), height_mm: 0.0, cut: false, lines: caps.form_lines(), words: w };
    let measured = |form: &mut Form<'_>, key: &str, value: Option<String>, unit: Option<&str>| {
        let value = value.as_deref();
        form.labelled(&label(w, key, value, unit), value, RIGHT_MM);
    };
    let field = |form: &mut Form<'_>, key: &str, value: Option<String>| {
        measured(form, key, value, unit_of(key));
    };
    form.heading("sheet-milk", "form");
    field(&mut form, "sheet-quantity", unit(w, r.litres(), "L"));
    field(&mut form, "sheet-from", r.milk.source.clone());
    let milkings: Vec<String> = r
        .milkings
        .iter()
        .map(|m| match m.litres {
            Some(l) => format!("{} ({} L)", m.milking, w.short(l, 1)),
            None => m.milking.clone(),
        })
        .collect();
    field(&mut form, "sheet-milkings", Some(milkings.join(", ")));
    field(&mut form, "sheet-came-in", unit(w, r.milk.celsius_in, "°C"));
    field(&mut form, "sheet-oldest", unit(w, r.milk.oldest_hours, "h"));
    field(&mut form, "sheet-acidity", unit(w, r.milk.acidity_sh, "°SH"));
    field(&mut form, "sheet-inhibitors", r.milk.inhibitors.clone());
    if r.mother.is_some() {
        field(&mut form, "sheet-whey-of", r.mother.clone());
    }
    form.end();
    form.heading("sheet-culture", "form");
    field(&mut form, "sheet-what", r.culture.name.clone());
    field(&mut form, "lot", r.culture.lot.clone());
    field(&mut form, "sheet-dose", r.culture.dose.clone());
    form.end();
    form.heading("sheet-rennet", "form");
    field(&mut form, "sheet-what", r.rennet.name.clone());
    field(&mut form, "lot", r.rennet.lot.clone());
    let plain = |v: f64| w.short(v, 1);
    let dose = r.rennet.dose_ml.map(|ml| match r.litres() {
        Some(l) if l > 0.0 => format!("{} mL ({} mL / 100 L)", plain(ml), plain(ml * 100.0 / l)),
        _ => format!("{} mL", plain(ml)),
    });
    // Unlike the culture's, in mL.
    measured(&mut form, "sheet-dose", dose, Some("mL"));
    field(&mut form, "sheet-strength", r.rennet.strength.clone());
    field(&mut form, "sheet-dilution", r.rennet.dilution.clone());
    form.end();
    form.part(|| milk(r, &Caps::NONE, w).html)
}
