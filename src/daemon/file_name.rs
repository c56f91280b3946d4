//! From a name that came from outside to a file's name, and back. Pure.
//!
//! A probe or kettle may be called anything, `../lots/x` among it; its file
//! stays in its folder.

use std::fmt::Write as _;

/// The name of a file or folder for `name`. What such a name should not hold
/// becomes `%` and two hex digits.
///
/// ```
/// use curdtrace::daemon::file_name;
/// assert_eq!(file_name::of("big one"), "big one");
/// assert_eq!(file_name::of("../a"), "%2E.%2Fa");
/// ```
pub fn of(name: &str) -> String {
    let mut safe = String::new();
    for (i, b) in name.bytes().enumerate() {
        let fits = b.is_ascii_alphanumeric() || b"-_ ".contains(&b) || (b == b'.' && i > 0);
        if fits {
            safe.push(char::from(b));
        } else {
            // Writing to a string cannot fail.
            let _ = write!(safe, "%{b:02X}");
        }
    }
    safe
}

/// The name whose file is called so. What [`of`] does not give is a name as it
/// stands: files were once called by the bare name.
///
/// ```
/// use curdtrace::daemon::file_name;
/// assert_eq!(file_name::name_of("K%C3%A4se"), "Käse");
/// assert_eq!(file_name::name_of("Käse"), "Käse");
/// ```
pub fn name_of(file: &str) -> String {
    decoded(file).filter(|name| of(name) == file).unwrap_or_else(|| file.to_owned())
}

fn decoded(file: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(file.len());
    let mut rest = file.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        if *first == b'%' {
            let hex = std::str::from_utf8(after.get(..2)?).ok()?;
            bytes.push(u8::from_str_radix(hex, 16).ok()?);
            rest = &after[2..];
        } else {
            bytes.push(*first);
            rest = after;
        }
    }
    String::from_utf8(bytes).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_has_a_file_of_its_own_and_comes_back() {
        for (name, file) in [
            ("big", "big"),
            ("a/b", "a%2Fb"),
            ("../lots/L1/lot", "%2E.%2Flots%2FL1%2Flot"),
            (".", "%2E"),
            ("50%", "50%25"),
            ("Käse 2.1", "K%C3%A4se 2.1"),
        ] {
            assert_eq!((of(name).as_str(), name_of(file).as_str()), (file, name));
        }
        // Called by the bare name once.
        for bare in ["Käse", "50%", "a%41", "a%4", "%2e"] {
            assert_eq!(name_of(bare), bare);
        }
    }
}
