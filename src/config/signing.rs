//! Whose key signs the lots, and whose signatures are believed.
//!
//! A key that is not there is no fault of the configuration: lots are sealed all
//! the same. [`Signing::faults`] says what is wrong with the files, for `check`
//! and for the log.

use std::io::ErrorKind;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};

use super::check::Section;
use super::fault::Fault;
use super::source::credentials_path;

/// How lots are signed and signatures checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signing {
    /// The private key; lots are not signed where there is none.
    pub key: Option<PathBuf>,
    /// OpenSSH's file of signers who are believed.
    pub allowed_signers: Option<PathBuf>,
    /// OpenSSH's program.
    pub program: PathBuf,
}

impl Default for Signing {
    fn default() -> Self {
        Self { key: None, allowed_signers: None, program: "ssh-keygen".into() }
    }
}

impl Signing {
    /// What is wrong with the files, as they are now.
    pub fn faults(&self) -> Vec<Fault> {
        let of_file = |s: Slip| Fault::of_file(&s.path.display().to_string(), s.what, s.remedy);
        self.slips().into_iter().map(of_file).collect()
    }

    fn slips(&self) -> Vec<Slip> {
        let mut slips = Vec::new();
        let mut note = |key, path: &Path, what, remedy| {
            slips.push(Slip { key, path: path.to_path_buf(), what, remedy });
        };
        if let Some(path) = &self.key {
            let shown = path.display();
            match mode(path) {
                Seen::Missing => {
                    let make = format!("ssh-keygen -t ed25519 -N '' -f {shown}, or take [signing] key out");
                    note("key", path, "is not there", make);
                }
                Seen::Folder => note("key", path, "is a folder", NAME_A_FILE.into()),
                Seen::Mode(mode) if mode & 0o007 != 0 => {
                    note(
                        "key",
                        path,
                        "is a private key that everybody may read",
                        format!("chmod 600 {shown}"),
                    );
                }
                _ => {}
            }
        }
        if let Some(path) = &self.allowed_signers {
            let fill = "write a line `NAME ssh-ed25519 AAAA…` with each public key into it".into();
            match mode(path) {
                Seen::Missing => note("allowed-signers", path, "is not there", fill),
                Seen::Folder => note("allowed-signers", path, "is a folder", NAME_A_FILE.into()),
                Seen::Mode(_) | Seen::Hidden => {}
            }
        }
        slips
    }
}

/// An empty name is the configuration's own folder.
const NAME_A_FILE: &str = "name a file in it, or take the key out";

/// One thing wrong with a file that a key names.
struct Slip {
    key: &'static str,
    path: PathBuf,
    what: &'static str,
    remedy: String,
}

/// What is seen of a file.
enum Seen {
    Missing,
    Folder,
    Mode(u32),
    /// Another user's key: the daemon may read what a person may not.
    Hidden,
}

fn mode(path: &Path) -> Seen {
    match std::fs::metadata(path) {
        Ok(m) if m.is_dir() => Seen::Folder,
        Ok(m) => Seen::Mode(m.permissions().mode()),
        Err(e) if e.kind() == ErrorKind::NotFound => Seen::Missing,
        Err(_) => Seen::Hidden,
    }
}

/// Notes what is wrong with the files at the lines that name them.
pub(super) fn check(s: &Section<'_, '_>, signing: &Signing) {
    for slip in signing.slips() {
        let what = format!("{} = {}: {}", slip.key, slip.path.display(), slip.what);
        s.fault_at(slip.key, what, slip.remedy);
    }
}

/// `[signing]`.
pub(super) fn read(s: &Section<'_, '_>, beside: &Path) -> Signing {
    let base = Signing::default();
    let signing = Signing {
        key: s.text("key").map(|p| credentials_path(p, beside)),
        allowed_signers: s.text("allowed-signers").map(|p| beside.join(p)),
        program: s.text("program").map_or(base.program, PathBuf::from),
    };
    s.done();
    signing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_that_are_not_there_or_open_to_everybody_are_named() {
        let dir = tempfile::tempdir().unwrap();
        let (key, allowed) = (dir.path().join("lot-key"), dir.path().join("signers"));
        let signing =
            Signing { key: Some(key.clone()), allowed_signers: Some(allowed.clone()), ..Signing::default() };
        let said = super::super::fault::listed(&signing.faults());
        assert!(said.contains("lot-key: is not there; ssh-keygen -t ed25519"), "{said}");
        assert!(said.contains("signers: is not there; write a line"), "{said}");
        std::fs::write(&key, "k").unwrap();
        std::fs::write(&allowed, "").unwrap();
        let set = |mode| std::fs::set_permissions(&key, std::fs::Permissions::from_mode(mode)).unwrap();
        set(0o644);
        assert!(signing.faults()[0].to_string().contains("chmod 600"));
        set(0o640);
        assert!(signing.faults().is_empty());
    }
}
