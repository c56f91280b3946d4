//! Floats with a bare point, `.5` and `5.`: line protocol's published grammar gives
//! examples only, and its reference implementation takes a point before or after the
//! digits. Our parser wants digits on both sides, so a line that it refuses is looked at
//! once more with those put in.

use std::borrow::Cow;

/// The line with digits on both sides of each float's point; as it is where nothing lacks.
///
/// Tags, keys and strings stay as they are.
pub(super) fn spelled_out(line: &str) -> Cow<'_, str> {
    let Some(fields) = after_series(line) else { return Cow::Borrowed(line) };
    let mut out = String::new();
    let mut copied = 0;
    for (at, value) in bare_values(line, fields) {
        if let Some(spelled) = spelled(value) {
            out.push_str(&line[copied..at]);
            out.push_str(&spelled);
            copied = at + value.len();
        }
    }
    if copied == 0 {
        return Cow::Borrowed(line);
    }
    out.push_str(&line[copied..]);
    Cow::Owned(out)
}

/// Where the fields begin: after the first blank that is not escaped.
fn after_series(line: &str) -> Option<usize> {
    let mut escaped = false;
    line.bytes().position(|b| {
        let ends = b == b' ' && !escaped;
        escaped = b == b'\\' && !escaped;
        ends
    })
}

/// The values without quotes from there on, each with its place.
fn bare_values(line: &str, from: usize) -> Vec<(usize, &str)> {
    let mut values = Vec::new();
    let (mut begun, mut quoted, mut escaped) = (None, false, false);
    for (at, b) in line.bytes().enumerate().skip(from) {
        match b {
            _ if escaped => escaped = false,
            b'\\' => escaped = true,
            b'"' => quoted = !quoted,
            b'=' if !quoted => begun = Some(at + 1),
            b',' | b' ' if !quoted => values.extend(begun.take().map(|start| (start, &line[start..at]))),
            _ => {}
        }
    }
    values.extend(begun.map(|start| (start, &line[start..])));
    values
}

/// A float with a bare point, with its digits; `None` for all else.
fn spelled(value: &str) -> Option<String> {
    let (before, after) = value.split_once('.')?;
    let (sign, whole) = before.strip_prefix('-').map_or(("", before), |digits| ("-", digits));
    let (fraction, exponent) = after.split_at(after.find(['e', 'E']).unwrap_or(after.len()));
    let is_digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    let is_bare = whole.is_empty() != fraction.is_empty();
    (is_bare && is_digits(whole) && is_digits(fraction)).then(|| {
        let or_zero = |digits| if str::is_empty(digits) { "0" } else { digits };
        format!("{sign}{}.{}{exponent}", or_zero(whole), or_zero(fraction))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_point_gets_its_digits_and_nothing_else_changes() {
        let check = |line: &str, spelled: &str| assert_eq!(spelled_out(line), spelled);
        check("m,a=.5 x=.5,y=5.,z=-.5e3,w=5.E-1 7", "m,a=.5 x=0.5,y=5.0,z=-0.5e3,w=5.0E-1 7");
        check("m,a=b\\ c=.5 x=5.", "m,a=b\\ c=.5 x=5.0");
        check(r#"m s="a=.5, \"b=.5 c",x=.5 7"#, r#"m s="a=.5, \"b=.5 c",x=0.5 7"#);
        for same in ["m x=.", "m x=-.", "m x=+.5", "m x=1..5", "m x=.5.5", "m x=.5i", "m", "", "m x="] {
            check(same, same);
        }
    }
}
