//! A lot's id by the dairy's pattern. Pure.
//!
//! Places are `{date}`, `{year}`, `{kettle}`, `{plan}` and `{number}`; the
//! number counts up until the id is free, so that two kettles and two makes a
//! day never share one. An id is a folder's name: anything else than letters,
//! digits, `-`, `_` and `.` becomes `-`.

/// The longest id, bytes.
const LONGEST: usize = 120;

/// What an id is made of.
#[derive(Debug, Clone, Copy)]
pub struct Parts<'a> {
    /// The dairy's day, `2026-07-14`.
    pub date: &'a str,
    /// The kettle.
    pub kettle: &'a str,
    /// The plan's name; may be empty.
    pub plan: &'a str,
}

/// The first free id by `pattern`. A pattern without `{number}` gets one at its
/// end where the plain id is taken.
///
/// ```
/// use curdtrace::lot::id::{Parts, free};
/// let parts = Parts { date: "2026-07-14", kettle: "big one", plan: "" };
/// assert_eq!(free("{date}-{kettle}-{number}", parts, |id| id.ends_with("-1")), "2026-07-14-big-one-2");
/// ```
pub fn free(pattern: &str, parts: Parts<'_>, taken: impl Fn(&str) -> bool) -> String {
    let year = parts.date.split('-').next().unwrap_or_default();
    let filled = pattern
        .replace("{date}", parts.date)
        .replace("{year}", year)
        .replace("{kettle}", parts.kettle)
        .replace("{plan}", parts.plan);
    let numbered = filled.contains("{number}");
    (1..1_000_000)
        .map(|n| {
            let id = tame(&match (numbered, n) {
                (true, n) => filled.replace("{number}", &n.to_string()),
                (false, 1) => filled.clone(),
                (false, n) => format!("{filled}-{n}"),
            });
            if id.len() <= LONGEST { id } else { cut(id, n) }
        })
        .find(|id| !taken(id))
        .unwrap_or_default()
}

/// A longer id cut to what a folder's name may have, with its number at the end.
fn cut(mut id: String, n: u32) -> String {
    let end = format!("-{n}");
    // Tame ids are ASCII.
    id.truncate(LONGEST - end.len());
    id + &end
}

/// The id as a folder's name.
pub fn tame(id: &str) -> String {
    let fit = |c: char| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '-' };
    let tame: String = id.chars().map(fit).collect();
    let tame = tame.trim_matches(['-', '.']);
    if tame.is_empty() { "lot".into() } else { tame.into() }
}

/// Whether a name given by a person may be a lot's id.
pub fn is_fit(id: &str) -> bool {
    !id.is_empty() && id.len() <= LONGEST && tame(id) == id
}

/// What is wrong with a name that may not be a lot's id.
pub fn unfit(id: &str) -> Option<&'static str> {
    let foreign = |c: char| !c.is_ascii_alphanumeric() && !"-_.".contains(c);
    Some(match id {
        _ if is_fit(id) => return None,
        "" => "it is empty; leave --id out for one by the dairy's pattern",
        _ if id.contains(foreign) => "use letters, digits, - _ and . only",
        _ if id.len() > LONGEST => "it is longer than 120 letters; shorten it",
        _ => "it begins or ends with . or -; take those away",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_folder_names_and_never_collide() {
        let parts = |kettle| Parts { date: "2026-07-14", kettle, plan: "Alp Käse" };
        let free_of =
            |pattern, kettle, taken: &[&str]| free(pattern, parts(kettle), |id| taken.contains(&id));
        assert_eq!(free_of("{date}-{number}", "big", &[]), "2026-07-14-1");
        assert_eq!(free_of("{date}-{number}", "small", &["2026-07-14-1"]), "2026-07-14-2");
        assert_eq!(free_of("{year}/{plan}", "big", &["2026-Alp-K-se"]), "2026-Alp-K-se-2");
        assert_eq!(free_of("../{kettle}", "..", &[]), "lot");
        // A plan with a long name made a lot that nobody could load.
        let long = "Käse aus der Alp ".repeat(20);
        let first = free("{kettle}-{date}-{number}", parts(&long), |_| false);
        let second = free("{kettle}-{date}-{number}", parts(&long), |id| id == first);
        assert!(is_fit(&first) && is_fit(&second) && first != second, "{first}, {second}");
        for (id, says) in [("../x", "letters, digits"), (".x", "begins or ends"), ("x-", "begins or ends")] {
            assert!(unfit(id).unwrap().contains(says), "{id}");
        }
        assert!(unfit(&"x".repeat(LONGEST + 1)).unwrap().contains("120") && unfit("a.b").is_none());
        assert!(is_fit("2026-07-14-1") && !is_fit("../x") && !is_fit("") && !is_fit("a/b"));
    }
}
