//! What can be a name: of a probe, a kettle, a source. Names from outside and
//! names in a configuration follow the one rule.
//!
//! Invariant: a name that fits comes back from line protocol as it was written.

/// The longest name, bytes.
pub const LONGEST: usize = 100;

/// Why a text cannot be a name, where it cannot.
///
/// ```
/// use curdtrace::wire::name::unfit;
/// assert_eq!(unfit("big kettle, left"), None);
/// assert_eq!(unfit("../lots"), Some("has a slash in it"));
/// ```
pub fn unfit(text: &str) -> Option<&'static str> {
    unfit_path(text).or(text.contains('/').then_some("has a slash in it"))
}

/// As [`unfit`], for several names with slashes between them.
pub fn unfit_path(text: &str) -> Option<&'static str> {
    match text {
        "" => Some("is empty"),
        t if t.len() > LONGEST => Some("is longer than 100 bytes"),
        t if t.trim() != t => Some("begins or ends with a blank"),
        t if t.chars().any(char::is_control) => Some("has a control character in it"),
        t if t.ends_with('\\') => Some("ends with a backslash, which line protocol cannot carry"),
        t if ["\\\\", "\\,", "\\=", "\\ "].iter().any(|two| t.contains(two)) => {
            Some("has a backslash before a sign that line protocol escapes, which it cannot carry")
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::engine::event::Reading;
    use crate::wire::line::{Line, Names, parse, write_reading};

    #[test]
    fn what_no_record_can_carry_is_no_name() {
        for (text, says) in [
            ("", "empty"),
            (" a", "blank"),
            ("a\n", "blank"),
            ("a\u{7}b", "control"),
            ("a\\", "ends with"),
            ("a\\,b", "backslash before"),
            ("a\\\\b", "backslash before"),
            ("../lots/L1/lot", "slash"),
        ] {
            assert!(unfit(text).is_some_and(|why| why.contains(says)), "{text:?}: {:?}", unfit(text));
        }
        assert!(unfit(&"a".repeat(101)).is_some());
        for text in ["big kettle", "a,b=c", "Käsekessel 2", "a\\b", "\"x\"", "#1", ".."] {
            assert_eq!(unfit(text), None, "{text:?}");
        }
    }

    proptest! {
        #[test]
        fn a_name_that_fits_comes_back_as_it_was(text in "[ -~äß]{0,12}|[\\\\, =a]{1,8}") {
            prop_assume!(unfit(&text).is_none());
            let mut reading = Reading::of(&text, 34.5);
            reading.kettle = Some(text.as_str().into());
            let mut line = String::new();
            write_reading(&mut line, &reading, 5);
            let read = parse(&line, &mut Names::default());
            prop_assert_eq!(read.unwrap().unwrap(), (Line::Reading(reading), Some(5)), "{}", line);
        }
    }
}
