//! One thing wrong in a file, where, and what to do about it.

use std::fmt;

/// One thing wrong in a configuration file.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// The file's name as it was given.
    pub file: String,
    /// Line, from 1; 0 where the whole file is meant.
    pub line: usize,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl Fault {
    /// A fault of the whole file, such as one that cannot be read.
    ///
    /// ```
    /// let f = curdtrace::config::Fault::of_file("plan.toml", "cannot be read", "check the path");
    /// assert_eq!(f.to_string(), "plan.toml: cannot be read; check the path");
    /// ```
    pub fn of_file(file: &str, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { file: file.into(), line: 0, what: what.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.line > 0 {
            write!(f, ":{}", self.line)?;
        }
        write!(f, ": {}; {}", self.what, self.remedy)
    }
}

/// All of them, one a line, as the command line prints them.
pub fn listed(faults: &[Fault]) -> String {
    faults.iter().map(Fault::to_string).collect::<Vec<_>>().join("\n")
}
