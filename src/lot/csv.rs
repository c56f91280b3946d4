//! The trace as CSV (RFC 4180), as a spreadsheet opens it. Pure.
//!
//! Columns: `time` (RFC 3339 UTC), `probe`, `kettle`, `celsius`, `health`,
//! `reason`, `cold_junction_celsius`, `emf_mv`, `seq`. A number that could not
//! be had is an empty field. Lines end with CR LF. A name or word that a
//! spreadsheet would take for a formula has a `'` before it ([`word`]).

use std::borrow::Cow;

use crate::wire::json::rfc3339;
use crate::wire::line::{Line, Names, parse};

/// The header line.
pub const HEADER: &str = "time,probe,kettle,celsius,health,reason,cold_junction_celsius,emf_mv,seq";

/// The readings of a trace in line protocol as CSV.
pub fn of_trace(trace: &str) -> String {
    let mut out = String::with_capacity(trace.len());
    out.push_str(HEADER);
    out.push_str("\r\n");
    let mut names = Names::default();
    for line in trace.lines() {
        let Ok(Some((Line::Reading(r), Some(t)))) = parse(line, &mut names) else { continue };
        let number = |n: Option<f64>| n.map(|n| n.to_string()).unwrap_or_default();
        row(
            &mut out,
            &[
                &rfc3339(t),
                &word(&r.probe),
                &word(r.kettle()),
                &number(r.celsius),
                r.health.map_or("", |h| h.name()),
                &word(r.reason.as_deref().unwrap_or_default()),
                &number(r.cold_junction_celsius),
                &number(r.emf_mv),
                &r.seq.map(|s| s.to_string()).unwrap_or_default(),
            ],
        );
    }
    out
}

/// Appends one row, each field quoted where it must be.
///
/// ```
/// let mut out = String::new();
/// curdtrace::lot::csv::row(&mut out, &["plain", "with, comma", "say \"cheese\""]);
/// assert_eq!(out, "plain,\"with, comma\",\"say \"\"cheese\"\"\"\r\n");
/// ```
pub fn row(out: &mut String, fields: &[&str]) {
    for (i, field) in fields.iter().enumerate() {
        if i > 0 {
            out.push(',');
        }
        out.push_str(&quoted(field));
    }
    out.push_str("\r\n");
}

/// Words from outside for a field: what a spreadsheet would take for a formula,
/// and carry out, begins with `'`, which it takes for text.
///
/// ```
/// use curdtrace::lot::csv::word;
/// assert_eq!(word("=cmd|'/c calc'!A1"), "'=cmd|'/c calc'!A1");
/// assert_eq!(word("open circuit"), "open circuit");
/// ```
pub fn word(text: &str) -> Cow<'_, str> {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

fn quoted(field: &str) -> Cow<'_, str> {
    if field.contains([',', '"', '\r', '\n']) || field.starts_with(' ') || field.ends_with(' ') {
        Cow::Owned(format!("\"{}\"", field.replace('"', "\"\"")))
    } else {
        Cow::Borrowed(field)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_a_row_and_a_missing_number_is_empty() {
        let csv = of_trace(
            "temperature,probe=p celsius=34.5,seq=7u 1752465129500000000\n\
             temperature,kettle=big\\ one,probe=p health=\"failure\",reason=\"open, \\\"wire\\\"\" 1752465130000000000\n",
        );
        let rows: Vec<&str> = csv.split("\r\n").collect();
        assert_eq!(rows[0], HEADER);
        assert_eq!(rows[1], "2025-07-14T03:52:09.500Z,p,p,34.5,,,,,7");
        assert_eq!(rows[2], "2025-07-14T03:52:10Z,p,big one,,failure,\"open, \"\"wire\"\"\",,,");
    }

    /// A reason that came over the wire stood bare, and the spreadsheet of who
    /// opened the trace carried it out.
    #[test]
    fn what_came_from_outside_is_no_formula_and_a_number_stays_one() {
        let csv = of_trace(
            "temperature,kettle=@SUM(A1),probe=-2+3 celsius=-1.5,emf_mv=-0.06,reason=\"=cmd|' /c calc'!A1\" 1752465129500000000\n",
        );
        let row = csv.split("\r\n").nth(1).unwrap();
        assert_eq!(row, "2025-07-14T03:52:09.500Z,'-2+3,'@SUM(A1),-1.5,,'=cmd|' /c calc'!A1,,-0.06,");
    }
}
