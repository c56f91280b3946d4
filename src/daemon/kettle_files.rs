//! What was learned of each kettle on disk: `DATA/kettles/NAME.toml`.
//!
//! A kettle is called as whoever sends its readings calls it; its file is in
//! this folder whatever the name.
//!
//! Invariant: no file here keeps the daemon from starting. One that is damaged,
//! or no file, is put aside under another name; the kettle is learned afresh.

use std::path::{Path, PathBuf};

use super::{damaged, file_name};
use crate::config::fault::{Fault, listed};
use crate::config::kettle;
use crate::engine::heat::Learned;
use crate::journal::storage::{Disk, Storage as _};

/// What is on disk of all kettles.
#[derive(Debug, Default, PartialEq)]
pub struct Kept {
    /// What was learned, by the kettle's name. Where a name comes twice the
    /// later one holds.
    pub learned: Vec<(String, Learned)>,
    /// What could not be read, why, and what became of it.
    pub damage: Vec<String>,
}

fn folder(data: &Path) -> PathBuf {
    data.join("kettles")
}

/// Keeps what was learned of a kettle in place of what was.
///
/// # Errors
/// Why it is not kept, in words.
pub fn keep(data: &Path, name: &str, learned: &Learned) -> Result<(), String> {
    let folder = folder(data);
    Disk.make_dir(&folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let file = folder.join(format!("{}.toml", file_name::of(name)));
    kettle::write_atomically(&file, learned).map_err(|e| e.to_string())
}

/// What is kept of every kettle; what cannot be read is put aside.
pub fn all(data: &Path) -> Kept {
    let mut kept = Kept::default();
    let Ok(entries) = std::fs::read_dir(folder(data)) else { return kept };
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
    for (_, name, path) in files {
        match read(&path) {
            Ok(learned) => kept.learned.extend(learned.map(|l| (name, l))),
            Err(faults) => kept.damage.push(put_aside(&path, &name, &faults)),
        }
    }
    kept
}

/// A pipe would be waited for, and is no file of ours.
fn read(path: &Path) -> Result<Option<Learned>, Vec<Fault>> {
    if path.metadata().is_ok_and(|m| !m.is_file()) {
        return Err(vec![Fault::of_file(&path.display().to_string(), "is no file", "it is not opened")]);
    }
    kettle::read(path)
}

/// Puts a damaged file aside; what is to be said of it.
fn put_aside(path: &Path, name: &str, faults: &[Fault]) -> String {
    let done = match damaged::put_aside(path) {
        Ok(aside) => format!("it is kept as {}", aside.display()),
        Err(e) => format!("it stays where it is ({e})"),
    };
    format!("what was learned of kettle {name} is damaged and learned afresh; {done}:\n{}", listed(faults))
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
        let kept = all(dir.path()).learned;
        let makes_of = |name| kept.iter().find(|k| k.0 == name).map(|k| k.1.makes);
        assert_eq!(["../lots/L1/lot", "a/b", "big"].map(makes_of), [1, 2, 3].map(Some));
        assert_eq!(kept.len(), 3);
    }

    #[test]
    fn a_file_of_before_is_found_until_the_kettle_learns_anew() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(all(dir.path()), Kept::default());
        std::fs::create_dir_all(dir.path().join("kettles")).unwrap();
        for (name, makes) in [("Käsekessi", 7), ("big one", 8)] {
            std::fs::write(dir.path().join(format!("kettles/{name}.toml")), kettle::write(&learned(makes)))
                .unwrap();
        }
        let makes_of = |name| Some(all(dir.path()).learned.iter().rfind(|k| k.0 == name)?.1.makes);
        assert_eq!(["Käsekessi", "big one"].map(makes_of), [7, 8].map(Some));
        keep(dir.path(), "Käsekessi", &learned(9)).unwrap();
        keep(dir.path(), "big one", &learned(10)).unwrap();
        assert_eq!(["Käsekessi", "big one"].map(makes_of), [9, 10].map(Some));
    }

    /// A card that lost a block left the file empty: the daemon did not start
    /// any more, although it writes that file itself. A pipe was waited for.
    #[test]
    fn a_damaged_file_is_put_aside_and_the_kettle_learned_afresh() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("kettles");
        keep(dir.path(), "whole", &learned(3)).unwrap();
        std::fs::write(folder.join("empty.toml"), "").unwrap();
        std::fs::write(folder.join("holes.toml"), [0; 600]).unwrap();
        std::fs::write(folder.join("byte.toml"), kettle::write(&learned(4)).replace("coast-s", "Coast-s"))
            .unwrap();
        std::fs::create_dir(folder.join("folder.toml")).unwrap();
        let pipe = folder.join("pipe.toml");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let kept = all(dir.path());
        assert_eq!(kept.learned.iter().map(|k| &*k.0).collect::<Vec<_>>(), ["whole"]);
        assert_eq!(kept.damage.len(), 5, "{:?}", kept.damage);
        assert!(kept.damage[0].contains("byte.toml.damaged-1"), "{}", kept.damage[0]);
        assert!(folder.join("empty.toml.damaged-1").is_file(), "nothing is thrown away");
        assert_eq!(all(dir.path()), Kept { damage: vec![], ..kept }, "said once");
        for makes in [5, 6] {
            std::fs::write(folder.join("empty.toml"), "").unwrap();
            all(dir.path());
            keep(dir.path(), "empty", &learned(makes)).unwrap();
        }
        assert!(all(dir.path()).learned.contains(&("empty".into(), learned(6))));
        assert!(folder.join("empty.toml.damaged-3").is_file());
    }
}
