//! `curdtrace lot show`.

use super::room::{Room, columns, failure};
use crate::cli::error::Failure;
use crate::cli::say;
use crate::lot::correct::FIELDS;
use crate::lot::picture::{ended, planned};
use crate::lot::record::Record;
use crate::words::Words;
use crate::words::record::{counted, word};

/// One lot in words; an open one as the journal tells it now.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The lot
    lot: String,
    /// The whole record as JSON
    #[arg(long)]
    json: bool,
}

pub(super) fn run(room: &Room, args: &Args) -> Result<(), Failure> {
    let (record, _) = room.store.as_it_stands(&args.lot, room.now()).map_err(|e| failure(&e))?;
    if args.json {
        let json = serde_json::to_string_pretty(&record).map_err(Failure::io)?;
        return say(&json);
    }
    say(&words(&record))
}

fn words(r: &Record) -> String {
    let zone = r.zone();
    let mut lines = vec![format!(
        "Lot {}, kettle {}{}",
        r.lot,
        r.kettle,
        if r.product.is_empty() { String::new() } else { format!(", {}", r.product) }
    )];
    lines.push(format!("opened {} {} by {}", r.opened.day(&zone), r.opened.clock(&zone), r.opened_by));
    lines.push(match r.closed {
        Some(c) => format!(
            "closed {} {} by {}",
            c.day(&zone),
            c.clock(&zone),
            r.closed_by.as_deref().unwrap_or_default()
        ),
        None => "still open".into(),
    });
    for d in &r.deviations {
        lines.push(format!("! {d}"));
    }
    lines.extend(entered(r));
    if !r.stages.is_empty() {
        lines.push(String::new());
        let last = r.trace_ends();
        let plan = planned(r);
        let rows: Vec<Vec<String>> = (0..r.stages.len())
            .map(|i| {
                let s = &r.stages[i];
                let took = ended(r, i, last).minutes_since(s.began);
                let meant = plan.get(i).cloned().flatten().and_then(|p| p.minutes);
                // One that goes on has not come short of its plan.
                let goes_on = !r.is_closed() && i + 1 == r.stages.len() && s.ended.is_none();
                let so_far = if goes_on { " so far" } else { "" };
                let against = |m: f64| match (took - m).round() + 0.0 {
                    over if goes_on && over <= 0.0 => format!("planned {m:.0}"),
                    over => format!("planned {m:.0}, {over:+.0}"),
                };
                vec![
                    s.began.clock(&zone),
                    word(&s.stage),
                    format!("{took:.0} min{so_far}"),
                    meant.map(against).unwrap_or_default(),
                ]
            })
            .collect();
        lines.extend(columns(&rows));
    }
    for c in &r.cooks {
        let target = c.target_celsius.map(|t| format!("target {t:.1} °C, ")).unwrap_or_default();
        lines.push(format!("cook: {target}peak {:.1} °C", c.peak_celsius));
    }
    for m in &r.marks {
        let by = m.by.as_deref().map(|b| format!(" by {b}")).unwrap_or_default();
        let value = m.value.map(|v| format!(" {v}")).unwrap_or_default();
        let told = m.told.map(|t| format!(" (told {})", r.clock(t))).unwrap_or_default();
        lines.push(
            format!(
                "mark: {} {}{value}{by}{told} {}",
                r.clock(m.at),
                Words::of("en").one_of("mark", &m.name),
                m.text.as_deref().unwrap_or_default()
            )
            .trim_end()
            .into(),
        );
    }
    for a in &r.alarms {
        let whom = a.taken_by_whom(Words::of("en"));
        let shown = a.taken.is_none() && a.is_only_shown();
        let taken = if shown { whom } else { format!("taken by {whom}") };
        lines.push(format!("alarm: {} {} ({taken}): {}", a.raised.clock(&zone), word(&a.alarm), a.text));
    }
    for l in &r.limits {
        lines.push(format!("limit: {} ({}): {}, {}", l.name, l.limit, word(&l.verdict), l.found));
    }
    for s in &r.stretches {
        let elsewhere = s.kettle.as_deref().map(|k| format!(" in {k}, beside the make")).unwrap_or_default();
        lines.push(format!(
            "trace: {} of probe {}{elsewhere}, {} to {}",
            counted(s.readings, "reading"),
            s.probe,
            r.clock(s.from),
            r.clock(s.to)
        ));
    }
    lines.extend(by_whom(r));
    lines.join("\n")
}

/// Who entered what, and who corrected it.
fn by_whom(r: &Record) -> Vec<String> {
    let (zone, mut lines) = (r.zone(), Vec::new());
    for e in &r.entries {
        let by = e.by.as_deref().map(|b| format!(" by {b}")).unwrap_or_default();
        let plain = e.value.parse::<f64>().map(|n| n.to_string());
        let value = plain.unwrap_or_else(|_| e.value.trim_matches('"').into());
        lines.push(format!("entered {}{by}: {} {value}", r.clock(e.at), e.field).trim_end().into());
    }
    for c in &r.corrections {
        let new = if c.new.is_empty() { "nothing (struck)" } else { &c.new };
        let old = if c.old.is_empty() { "nothing" } else { &c.old };
        lines.push(format!(
            "corrected {} {}: {} from {old} to {} by {}: {}",
            c.at.day(&zone),
            c.at.clock(&zone),
            c.field,
            new,
            c.by,
            c.reason
        ));
    }
    lines
}

/// What persons entered, in the order of the sheet.
fn entered(r: &Record) -> Vec<String> {
    let table = toml::Table::try_from(r).unwrap_or_default();
    let mut lines = Vec::new();
    for (field, name) in FIELDS {
        let value = match field.split_once('.') {
            Some((group, key)) => table.get(group).and_then(|g| g.get(key)),
            None if ["product", "kettle"].contains(&field) => None,
            None => table.get(field),
        };
        let text = match value {
            Some(toml::Value::String(s)) => s.clone(),
            Some(v) => v.to_string(),
            None => continue,
        };
        lines.push(format!("{name}: {text}"));
    }
    for m in &r.milkings {
        lines.push(format!(
            "milking: {}{}",
            m.milking,
            m.litres.map(|l| format!(", {l} L")).unwrap_or_default()
        ));
    }
    for w in &r.wheels {
        lines.push(format!("wheel: {}{}", w.wheel, w.kg.map(|kg| format!(", {kg} kg")).unwrap_or_default()));
    }
    for p in &r.ph {
        lines.push(format!("pH {} at {}", p.value, r.clock(p.at)));
    }
    lines
}
