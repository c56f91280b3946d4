//! What the record and the command line say in English, whatever the dairy speaks.

/// So many of a thing, in words.
///
/// ```
/// use curdtrace::words::record::counted;
/// assert_eq!([0, 1, 2].map(|n| counted(n, "lot")), ["0 lots", "1 lot", "2 lots"]);
/// ```
pub fn counted(n: impl std::fmt::Display, thing: &str) -> String {
    let n = n.to_string();
    format!("{n} {thing}{}", if n == "1" { "" } else { "s" })
}

/// A name on the wire as a person reads it.
pub fn word(name: &str) -> String {
    name.replace('-', " ")
}
