//! Questions and answers on a terminal, in short sentences.

use std::io::{BufRead as _, IsTerminal as _, stdin};

use crate::cli::error::Failure;

/// Says a line to the maker. Standard error: standard output is for the
/// result.
pub(super) fn tell(line: &str) {
    crate::cli::remark(line);
}

/// Who asks, and whether anything may be asked.
pub(super) struct Talk {
    /// `--yes`: nothing is asked.
    silent: bool,
    /// Standard input is a person's terminal.
    terminal: bool,
}

impl Talk {
    pub(super) fn new(silent: bool) -> Self {
        Self { silent, terminal: stdin().is_terminal() }
    }

    /// Whether a person is there to answer.
    pub(super) fn is_person(&self) -> bool {
        self.terminal && !self.silent
    }

    /// Waits for Enter.
    pub(super) fn pause(&self, words: &str) -> Result<(), Failure> {
        if self.silent {
            return Ok(());
        }
        tell(words);
        typed().map(|_| ())
    }

    /// What a flag says, else what the maker types; never empty.
    pub(super) fn answer(
        &self,
        given: Option<String>,
        flag: &str,
        question: &str,
    ) -> Result<String, Failure> {
        if let Some(text) = given.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty()) {
            return Ok(text);
        }
        if self.silent {
            return Err(Failure::usage(format!("{flag} is missing; with --yes nothing is asked")));
        }
        for _ in 0..3 {
            if !question.is_empty() {
                tell(question);
            }
            let text = typed()?;
            if !text.is_empty() {
                return Ok(text);
            }
        }
        Err(Failure::usage(format!("no answer; give it with {flag}")))
    }

    /// Yes or no; Enter alone takes `usual`, and so does `--yes`.
    pub(super) fn agreed(&self, question: &str, usual: bool) -> Result<bool, Failure> {
        if self.silent {
            return Ok(usual);
        }
        tell(&format!("{question} [{}]", if usual { "Y/n" } else { "y/N" }));
        match typed()?.to_lowercase().as_str() {
            "" => Ok(usual),
            text => Ok(text.starts_with('y') || text.starts_with('j')),
        }
    }
}

/// One line from standard input.
fn typed() -> Result<String, Failure> {
    let mut text = String::new();
    match stdin().lock().read_line(&mut text) {
        Ok(0) => Err(Failure::usage(
            "the input ended before the act did; nothing was kept. Answer with flags and --yes where nobody types",
        )),
        Ok(_) => Ok(text.trim().to_owned()),
        Err(e) => Err(Failure::io(format!("standard input cannot be read ({e})"))),
    }
}
