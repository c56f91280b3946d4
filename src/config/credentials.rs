//! The user and password for a broker, in a file of their own.

use std::fmt;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use super::fault::Fault;
use super::file;

/// A user and a password. Its `Debug` does not show the password.
#[derive(Clone, PartialEq, Eq)]
pub struct Credentials {
    /// The user.
    pub user: String,
    /// The password.
    pub password: String,
}

impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Credentials").field("user", &self.user).finish_non_exhaustive()
    }
}

/// Reads a credentials file: TOML with `user` and `password`.
///
/// # Errors
/// Every fault of the file; that everybody may read it is one.
pub fn read(path: &Path) -> Result<Credentials, Vec<Fault>> {
    let name = path.display().to_string();
    let text = file::text_of(path)?;
    let mode = std::fs::metadata(path).map_or(0, |m| m.permissions().mode());
    if mode & 0o004 != 0 {
        let what = "holds a password and may be read by everybody";
        return Err(vec![Fault::of_file(&name, what, format!("chmod o-r {name}"))]);
    }
    file::reading(&name, &text, |root| {
        for key in ["user", "password"] {
            if !root.has(key) {
                root.missing(key, format!("add {key} = \"…\""));
            }
        }
        let (user, password) = (root.text("user"), root.text("password"));
        Some(Credentials { user: user?.into(), password: password?.into() })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_that_everybody_may_read_is_a_fault() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("mqtt.toml");
        std::fs::write(&path, "user = \"hut\"\npassword = \"larch\"\n").unwrap();
        let set = |mode| std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        set(0o644);
        assert!(read(&path).unwrap_err()[0].to_string().contains("chmod o-r"));
        set(0o600);
        let c = read(&path).unwrap();
        assert_eq!((c.user.as_str(), c.password.as_str()), ("hut", "larch"));
        assert!(!format!("{c:?}").contains("larch"));
    }
}
