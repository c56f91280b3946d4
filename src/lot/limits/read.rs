//! The dairy's limits from their file: every fault at once, each with its line and
//! the words that are known.

use super::{Limit, Limits};
use crate::config::check::Section;
use crate::config::{Fault, file};
use crate::engine::stage::Stage;

/// What a trace can be held against, °C.
const CELSIUS: std::ops::RangeInclusive<f64> = -50.0..=200.0;

/// A limit's longest time, in whatever unit.
const LONGEST: f64 = 1e9;

/// The kinds of limit, by the key that makes each.
const KINDS: [&str; 5] = ["at-most-celsius", "at-least-celsius", "log-reductions", "ph-at-most", "days"];

impl Limits {
    /// Reads the file's text; `name` is what faults call it.
    ///
    /// # Errors
    /// Every fault of the text at once, in the order of its lines.
    ///
    /// ```
    /// use curdtrace::lot::limits::Limits;
    /// let text = "[[limit]]\nname = \"Milk stored\"\nsource = \"our plan 2.1\"\nat-most-celsius = 8.0\n";
    /// assert_eq!(Limits::parse(text, "limits.toml").unwrap().limits[0].words(), "at most 8 °C");
    /// ```
    pub fn parse(text: &str, name: &str) -> Result<Self, Vec<Fault>> {
        file::reading(name, text, |root| {
            Some(Self { limits: root.sections("limit").iter().map(limit).collect() })
        })
    }
}

/// A key that is wrong has left a fault, so that what stands here is not used.
fn limit(s: &Section<'_, '_>) -> Limit {
    let text = |key| s.text(key).unwrap_or_default().to_owned();
    let number = |key, range, unit| s.number(key, range, unit);
    let time = |key, unit| s.number(key, 0.0..=LONGEST, unit);
    let limit = Limit {
        name: text("name"),
        source: text("source"),
        product: text("product"),
        probe: text("probe"),
        stages: stages(s),
        gap_minutes: time("gap-minutes", "minutes"),
        at_most_celsius: number("at-most-celsius", CELSIUS, "°C"),
        but_for_minutes: time("but-for-minutes", "minutes").unwrap_or_default(),
        at_least_celsius: number("at-least-celsius", CELSIUS, "°C"),
        for_seconds: time("for-seconds", "s").unwrap_or_default(),
        log_reductions: number("log-reductions", 0.0..=1000.0, ""),
        d_seconds: s.above_zero("d-seconds", LONGEST, "s").unwrap_or_default(),
        at_celsius: number("at-celsius", CELSIUS, "°C").unwrap_or_default(),
        z_celsius: s.above_zero("z-celsius", 1000.0, "°C").unwrap_or_default(),
        ph_at_most: number("ph-at-most", 0.0..=14.0, ""),
        after_hours: time("after-hours", "h").unwrap_or_default(),
        days: s.whole("days", 0..=100_000, "days").and_then(|d| u32::try_from(d).ok()),
    };
    complete(s, &limit);
    s.done();
    limit
}

/// Its stages; one that is none would never be met, and nothing be judged.
fn stages(s: &Section<'_, '_>) -> Vec<String> {
    let named = s.texts("stages").unwrap_or_default();
    let known: Vec<&str> = Stage::ALL.into_iter().filter(|s| *s != Stage::Idle).map(Stage::name).collect();
    for name in named.iter().filter(|n| !known.contains(*n)) {
        s.fault_at(
            "stages",
            format!("stages has {name:?}, which is not known"),
            format!("they are {}", known.join(", ")),
        );
    }
    named.into_iter().map(String::from).collect()
}

/// That nothing is missing which the kind of limit needs.
fn complete(s: &Section<'_, '_>, limit: &Limit) {
    if limit.name.is_empty() {
        s.missing("name", "say what it is, name = \"…\"");
    }
    if limit.source.is_empty() {
        s.missing("source", "say where it comes from, source = \"our plan 2.1\"");
    }
    if KINDS.iter().filter(|kind| s.has(kind)).count() != 1 {
        let kinds = KINDS.join(", ");
        s.fault(
            "a limit is of one kind, and this one is of none or of several",
            format!("keep exactly one of {kinds}"),
        );
    }
    let needed: &[(&str, f64)] = match () {
        () if s.has("log-reductions") => &[("d-seconds", limit.d_seconds), ("z-celsius", limit.z_celsius)],
        () if s.has("at-least-celsius") => &[("for-seconds", limit.for_seconds)],
        () => &[],
    };
    for (key, _) in needed.iter().filter(|n| n.1 <= 0.0) {
        s.missing(key, format!("add {key}, a number above 0"));
    }
    if s.has("log-reductions") && !s.has("at-celsius") {
        s.missing("at-celsius", "add the temperature, °C, of the D value");
    }
}
