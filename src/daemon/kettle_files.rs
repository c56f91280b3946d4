//! What was learned of each kettle on disk: `DATA/kettles/NAME.toml`.
//!
//! A kettle is called as whoever sends its readings calls it; its file is in
//! this folder whatever the name.

use std::path::{Path, PathBuf};

use super::file_name;
use crate::config::fault::Fault;
use crate::config::kettle;
use crate::engine::heat::Learned;

fn folder(data: &Path) -> PathBuf {
    data.join("kettles")
}

/// Keeps what was learned of a kettle in place of what was.
///
/// # Errors
/// Why it is not kept, in words.
pub fn keep(data: &Path, name: &str, learned: &Learned) -> Result<(), String> {
    let folder = folder(data);
    std::fs::create_dir_all(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let file = folder.join(format!("{}.toml", file_name::of(name)));
    kettle::write_atomically(&file, learned).map_err(|e| e.to_string())
}

/// What is kept of every kettle, by its name. Where a name comes twice the
/// later one holds.
///
/// # Errors
/// Every fault of the first file that has any.
pub fn all(data: &Path) -> Result<Vec<(String, Learned)>, Vec<Fault>> {
    let Ok(entries) = std::fs::read_dir(folder(data)) else { return Ok(Vec::new()) };
    let mut files = Vec::new();
    for path in entries.filter_map(|e| Some(e.ok()?.path())) {
        let Some(stem) = path.file_stem().and_then(|s| s.to_str()) else { continue };
        if path.extension().is_some_and(|x| x == "toml") {
            let name = file_name::name_of(stem);
            // One called by the bare name holds until the kettle has learned anew.
            let is_new = file_name::of(&name) == stem;
            files.push((is_new, name, path));
        }
    }
    files.sort();
    let mut kept = Vec::new();
    for (_, name, path) in files {
        if let Some(learned) = kettle::read(&path)? {
            kept.push((name, learned));
        }
    }
    Ok(kept)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::probe::Lags;

    fn learned(makes: u32) -> Learned {
        let lags = Lags::default();
        Learned { makes, coast_s: 75.0, coast_sd_s: 60.0, decay_s: 150.0, lead_s: 0.0, lags }
    }

    /// A kettle's name from outside, `../lots/L1/lot`, wrote over a lot's
    /// record when its make ended; one with a slash was never learned.
    #[test]
    fn a_kettle_of_any_name_has_its_file_in_the_folder() {
        let dir = tempfile::tempdir().unwrap();
        let lot = dir.path().join("lots/L1/lot.toml");
        std::fs::create_dir_all(lot.parent().unwrap()).unwrap();
        std::fs::write(&lot, "as it was sealed").unwrap();
        for (n, name) in ["../lots/L1/lot", "a/b", "big"].into_iter().enumerate() {
            keep(dir.path(), name, &learned(n as u32 + 1)).unwrap();
        }
        assert_eq!(std::fs::read_to_string(&lot).unwrap(), "as it was sealed");
        let kept = all(dir.path()).unwrap();
        let makes_of = |name| kept.iter().find(|k| k.0 == name).map(|k| k.1.makes);
        assert_eq!(["../lots/L1/lot", "a/b", "big"].map(makes_of), [1, 2, 3].map(Some));
        assert_eq!(kept.len(), 3);
    }

    #[test]
    fn a_file_of_before_is_found_until_the_kettle_learns_anew() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(all(dir.path()), Ok(vec![]));
        std::fs::create_dir_all(dir.path().join("kettles")).unwrap();
        for (name, makes) in [("Käsekessi", 7), ("big one", 8)] {
            std::fs::write(dir.path().join(format!("kettles/{name}.toml")), kettle::write(&learned(makes)))
                .unwrap();
        }
        let makes_of = |name| Some(all(dir.path()).unwrap().iter().rfind(|k| k.0 == name)?.1.makes);
        assert_eq!(["Käsekessi", "big one"].map(makes_of), [7, 8].map(Some));
        keep(dir.path(), "Käsekessi", &learned(9)).unwrap();
        keep(dir.path(), "big one", &learned(10)).unwrap();
        assert_eq!(["Käsekessi", "big one"].map(makes_of), [9, 10].map(Some));
    }
}
