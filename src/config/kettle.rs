//! What was learned of one kettle, as a readable TOML file.
//!
//! Written whole and atomically ([`whole_file`]): a reader sees the old file or the
//! new one. A link stays a link: what it points to is replaced.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::check::Section;
use super::fault::Fault;
use super::file;
use super::plan::{number, quoted};
use super::whole_file;
use crate::engine::heat::{COAST_S, DECAY_S, LEAD_S, Learned};
use crate::engine::probe::Lags;

/// So many links are followed from one to the next, as by the system.
const LONGEST_CHAIN: usize = 40;

/// Writing a kettle file failed.
#[derive(Debug, thiserror::Error)]
#[error("kettle file {} cannot be written ({source}); check that its folder is there and has room", .path.display())]
pub struct WriteError {
    path: PathBuf,
    #[source]
    source: io::Error,
}

/// Reads what was learned; `None` where there is no file yet.
///
/// # Errors
/// Every fault of the file at once.
pub fn read(path: &Path) -> Result<Option<Learned>, Vec<Fault>> {
    if !path.exists() {
        return Ok(None);
    }
    let text = file::text_of(path)?;
    parse(&text, &path.display().to_string()).map(Some)
}

/// Reads what was learned from its text; `name` is what faults call the file.
///
/// # Errors
/// Every fault of the text at once.
pub fn parse(text: &str, name: &str) -> Result<Learned, Vec<Fault>> {
    file::reading(name, text, |root| {
        let makes = root.whole("makes", 0..=1_000_000, "makes");
        let coast_s = root.number("coast-s", COAST_S, "s");
        let coast_sd_s = root.number("coast-sd-s", COAST_S, "s");
        for (key, there) in
            [("makes", makes.is_some()), ("coast-s", coast_s.is_some()), ("coast-sd-s", coast_sd_s.is_some())]
        {
            if !there && !root.has(key) {
                root.missing(key, "delete the file to learn afresh, or put the number back");
            }
        }
        // Younger than the three above; a file without them reads on.
        let decay_s = root.number("decay-s", DECAY_S, "s").unwrap_or(150.0);
        let lead_s = root.number("lead-s", LEAD_S, "s").unwrap_or(0.0);
        // Looked at before anything is given up: what is not looked at counts as unknown.
        let lags = root.section("lag").map(|s| lags(&s)).unwrap_or_default();
        Some(Learned {
            makes: u32::try_from(makes?).ok()?,
            coast_s: coast_s?,
            coast_sd_s: coast_sd_s?,
            decay_s,
            lead_s,
            lags,
        })
    })
}

fn lags(section: &Section<'_, '_>) -> Lags {
    let lags = Lags {
        probe: section.text("probe").unwrap_or_default().to_owned(),
        own_s: section.number("own-s", 0.01..=3600.0, "s"),
        answers_s: section.numbers("answers-s", 0.01..=3600.0, "s").unwrap_or_default(),
        grown: section.truth("grown").unwrap_or(false),
    };
    section.done();
    lags
}

/// What was learned as TOML text that [`parse`] reads back.
pub fn write(learned: &Learned) -> String {
    let known = format!(
        "# What curdtrace has learned of this kettle. Delete the file to learn afresh.\n\
         # Coast: how long the running rate still goes on after the heat is off, seconds.\n\
         # Decay: time constant of the heat that still arrives; lead: how much earlier\n\
         # (or later) to call, from how called cooks ended, seconds.\n\
         makes = {}\ncoast-s = {}\ncoast-sd-s = {}\ndecay-s = {}\nlead-s = {}\n",
        learned.makes,
        number(learned.coast_s),
        number(learned.coast_sd_s),
        number(learned.decay_s),
        number(learned.lead_s),
    );
    known + &lag_section(&learned.lags)
}

fn lag_section(lags: &Lags) -> String {
    if lags.answers_s.is_empty() {
        return String::new();
    }
    let answers: Vec<String> = lags.answers_s.iter().map(|a| number(*a)).collect();
    let own = lags.own_s.map(|s| format!("own-s = {}\n", number(s))).unwrap_or_default();
    format!(
        "\n# How slowly the probe answers when it is put back into stirred milk (time constant,\n\
         # seconds): its own, by its first eight answers, and its last. All of them far above\n\
         # its own: wipe it. Hangs another probe there, take this section out.\n[lag]\n\
         probe = {}\n{own}answers-s = [{}]\ngrown = {}\n",
        quoted(&lags.probe),
        answers.join(", "),
        lags.grown
    )
}

/// Writes the file whole and atomically.
///
/// # Errors
/// [`WriteError`] says which file and why.
pub fn write_atomically(path: &Path, learned: &Learned) -> Result<(), WriteError> {
    let file = meant(path);
    let put = whole_file::put(&file, &write(learned), 0o666).and_then(|()| whole_file::settle(&file));
    put.map_err(|source| WriteError { path: path.into(), source })
}

/// The file that a path means: where it is a link, what that points to, there
/// or not.
fn meant(path: &Path) -> PathBuf {
    let mut meant = path.to_path_buf();
    for _ in 0..LONGEST_CHAIN {
        let Ok(to) = fs::read_link(&meant) else { break };
        meant = meant.parent().unwrap_or(Path::new("")).join(to);
    }
    meant
}

#[cfg(test)]
mod tests {
    use super::{parse, read, write, write_atomically};
    use crate::engine::heat::Learned;
    use crate::engine::probe::Lags;

    #[test]
    fn what_was_learned_comes_back() {
        let lags = Lags::default();
        let mut learned =
            Learned { makes: 3, coast_s: 47.25, coast_sd_s: 6.5, decay_s: 120.0, lead_s: -3.5, lags };
        assert_eq!(parse(&write(&learned), "k.toml").unwrap(), learned);
        let answers_s = vec![4.0, 3.75, 12.5];
        learned.lags = Lags { probe: "the \"long\" one".into(), own_s: Some(3.9), answers_s, grown: true };
        assert_eq!(parse(&write(&learned), "k.toml").unwrap(), learned);
        learned.lags.own_s = None;
        assert_eq!(parse(&write(&learned), "k.toml").unwrap(), learned);
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("big.toml");
        assert_eq!(read(&path).unwrap(), None);
        write_atomically(&path, &learned).unwrap();
        write_atomically(&path, &learned).unwrap();
        assert_eq!(read(&path).unwrap(), Some(learned));
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "nothing left beside it");
    }

    #[test]
    fn a_kettle_file_that_is_a_link_stays_one() {
        let dir = tempfile::tempdir().unwrap();
        let (link, second) = (dir.path().join("k.toml"), dir.path().join("second"));
        std::os::unix::fs::symlink("second", &link).unwrap();
        std::os::unix::fs::symlink(dir.path().join("sub/real.toml"), &second).unwrap();
        std::fs::create_dir(dir.path().join("sub")).unwrap();
        let learned = parse("makes = 3\ncoast-s = 50\ncoast-sd-s = 5\n", "k.toml").unwrap();
        for _ in 0..2 {
            write_atomically(&link, &learned).unwrap();
            assert_eq!(read(&dir.path().join("sub/real.toml")).unwrap().as_ref(), Some(&learned));
            assert!(link.is_symlink() && second.is_symlink());
        }
    }

    #[test]
    fn a_torn_kettle_file_is_named_with_a_remedy() {
        let faults = parse("makes = 2\ncoast-s = -1\n", "k.toml").unwrap_err();
        let all = super::super::fault::listed(&faults);
        assert!(all.contains("k.toml:2: coast-s = -1 cannot be"), "{all}");
        assert!(all.contains("has no coast-sd-s; delete the file"), "{all}");
        let faults = parse("makes = 2\ncoast-s = 50\ncoast-sd-s = 5\nlead-s = -61\ndecay-s = 0\n", "k.toml");
        let all = super::super::fault::listed(&faults.unwrap_err());
        assert!(all.contains("k.toml:4: lead-s = -61 cannot be"), "{all}");
        assert!(all.contains("k.toml:5: decay-s = 0 cannot be"), "{all}");
        let faults = parse("makes = 2\nCoast-s = 5\ncoast-sd-s = 1\n[lag]\nanswers-s = [4.0]\n", "k.toml")
            .unwrap_err();
        let all = super::super::fault::listed(&faults);
        assert!(!all.contains("knows no lag"), "{all}");
        assert_eq!(faults.len(), 2, "{all}");
    }
}
