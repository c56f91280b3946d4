//! What a command can fail with, as sysexits counts it.

use std::fmt;

/// Wrong usage (sysexits `EX_USAGE`).
pub const EXIT_USAGE: u8 = 64;

/// A command's failure: a sentence that says what failed, where and what to
/// do, and an exit code.
#[derive(Debug)]
pub struct Failure {
    code: u8,
    text: String,
}

impl Failure {
    /// 64: the command was called wrongly.
    pub fn usage(text: impl fmt::Display) -> Self {
        Self { code: EXIT_USAGE, text: text.to_string() }
    }
    /// 65: the data is not as it should be.
    pub fn data(text: impl fmt::Display) -> Self {
        Self { code: 65, text: text.to_string() }
    }
    /// 66: what should be read is not there.
    pub fn no_input(text: impl fmt::Display) -> Self {
        Self { code: 66, text: text.to_string() }
    }
    /// 69: something needed is not available.
    pub fn unavailable(text: impl fmt::Display) -> Self {
        Self { code: 69, text: text.to_string() }
    }
    /// 74: input or output failed.
    pub fn io(text: impl fmt::Display) -> Self {
        Self { code: 74, text: text.to_string() }
    }
    /// 78: the configuration is faulty.
    pub fn config(text: impl fmt::Display) -> Self {
        Self { code: 78, text: text.to_string() }
    }
    /// Any exit code, from whoever carried the command out.
    pub fn of(code: u8, text: impl fmt::Display) -> Self {
        Self { code, text: text.to_string() }
    }
    /// Its exit code.
    pub fn exit_code(&self) -> u8 {
        self.code
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}
