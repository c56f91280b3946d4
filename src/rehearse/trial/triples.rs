//! Recorded makes on disk: NAME.lp, NAME.plan.toml, NAME.truth.json.

use std::path::{Path, PathBuf};

use crate::config;
use crate::engine::event::{Event, Happening, Stamp};
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;
use crate::wire::line::{Line, Names, parse};

/// One make with its truth.
#[derive(Debug, Clone)]
pub struct Triple {
    /// Its name: the files' stem.
    pub name: String,
    /// The plan.
    pub plan: Plan,
    /// The stream.
    pub events: Vec<Event>,
    /// The truth: stages with their beginning, nanoseconds since 1970.
    pub began: Vec<(Stage, i64)>,
}

/// What can go wrong with a triple.
#[derive(Debug, thiserror::Error)]
pub enum TripleError {
    /// A file cannot be read.
    #[error("cannot read {path}: {source}; a make needs NAME.lp, NAME.plan.toml and NAME.truth.json")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file says something else than it should.
    #[error("{path}: {what}")]
    Content {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

/// Every make in a folder, by name.
///
/// # Errors
/// The first file that cannot be read or understood.
pub fn read_all(folder: &Path) -> Result<Vec<Triple>, TripleError> {
    let listing =
        std::fs::read_dir(folder).map_err(|source| TripleError::Read { path: folder.to_owned(), source })?;
    let mut names: Vec<String> = listing
        .flatten()
        .filter_map(|entry| entry.file_name().to_str()?.strip_suffix(".truth.json").map(str::to_owned))
        .collect();
    names.sort();
    names.iter().map(|name| read(folder, name)).collect()
}

fn read(folder: &Path, name: &str) -> Result<Triple, TripleError> {
    let text = |ending: &str| {
        let path = folder.join(format!("{name}.{ending}"));
        std::fs::read_to_string(&path).map_err(|source| TripleError::Read { path, source })
    };
    let content = |ending: &str, what: String| TripleError::Content {
        path: folder.join(format!("{name}.{ending}")),
        what,
    };
    let plan = config::plan::parse(&text("plan.toml")?, name)
        .map_err(|faults| content("plan.toml", config::fault::listed(&faults)))?;
    let truth: serde_json::Value =
        serde_json::from_str(&text("truth.json")?).map_err(|e| content("truth.json", e.to_string()))?;
    let began = truth["began"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|b| {
            let stage = Stage::named(b["stage"].as_str()?)?;
            Some((stage, (b["epoch_s"].as_f64()? * 1.0e9) as i64))
        })
        .collect();
    let events = stream(&text("lp")?).map_err(|what| content("lp", what))?;
    Ok(Triple { name: name.to_owned(), plan, events, began })
}

/// A stream of line protocol as one boot's events.
fn stream(text: &str) -> Result<Vec<Event>, String> {
    let mut names = Names::default();
    let mut events = Vec::new();
    let (mut first_ns, mut last_ns) = (None, 0);
    for (number, line) in text.lines().enumerate() {
        let parsed = parse(line, &mut names).map_err(|e| format!("line {}: {e}", number + 1))?;
        let (what, wall_ns) = match parsed {
            Some((Line::Reading(r), Some(t))) => (Happening::Reading(r), t),
            Some((Line::Mark(m), Some(t))) => (Happening::Mark(m), t),
            _ => continue,
        };
        let first = *first_ns.get_or_insert(wall_ns);
        last_ns = wall_ns;
        let mono_ns = (wall_ns - first).max(0).unsigned_abs();
        events.push(Event { stamp: Stamp { boot: 1, mono_ns, wall_ns: Some(wall_ns) }, what });
    }
    let mono_ns = (last_ns - first_ns.unwrap_or(0)).max(0).unsigned_abs();
    let stamp = Stamp { boot: 1, mono_ns, wall_ns: Some(last_ns) };
    events.push(Event { stamp, what: Happening::EndOfInput });
    Ok(events)
}
