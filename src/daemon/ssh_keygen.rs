//! Signing and checking with OpenSSH's `ssh-keygen`, a program of the machine's
//! own.
//!
//! It is run without a shell, without a terminal and without a word for a
//! passphrase, and ended after a few seconds: a key that asks for something
//! fails, it does not hang. Nor is anything waited for that it left running. Keys are
//! never read here.

use std::io::{ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use super::clock::Clock;
use super::running::Running;
use crate::config::signing::Signing;
use crate::lot::signature::{NAMESPACE, Signer};

/// How often the running program is looked at.
const LOOK: Duration = Duration::from_millis(10);
/// It is to end, and what it said to be there, within this, nanoseconds.
const WITHIN_NS: u64 = 3_000_000_000;
/// No more than this of what it says is looked at, bytes.
const MOST_SAID: u64 = 1 << 20;

/// Signs with a key file.
#[derive(Debug, Clone)]
pub struct SshKeygen {
    program: PathBuf,
    key: PathBuf,
}

impl SshKeygen {
    /// The signer of a configuration, where it names a key.
    pub fn of(signing: &Signing) -> Option<Arc<dyn Signer>> {
        let key = signing.key.clone()?;
        Some(Arc::new(Self { program: signing.program.clone(), key }))
    }
}

impl Signer for SshKeygen {
    fn sign(&self, text: &[u8]) -> Result<Vec<u8>, String> {
        if !self.key.exists() {
            return Err(format!(
                "the key {} is not there or cannot be reached; put it there",
                self.key.display()
            ));
        }
        let mut command = Command::new(&self.program);
        command.args(["-Y", "sign", "-n", NAMESPACE, "-f"]).arg(&self.key);
        let ran = run(command, text).map_err(|e| e.words(&self.program))?;
        if ran.well && ran.out.starts_with(b"-----BEGIN SSH SIGNATURE-----") {
            return Ok(ran.out);
        }
        Err(format!("{} signed nothing ({}); mend that", self.program.display(), ran.complaint()))
    }
}

/// What a look at a signature gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Checked {
    /// It is good, and theirs.
    By(
        /// As the file of signers calls them.
        String,
    ),
    /// It is not good, or of nobody known.
    Bad(
        /// In words.
        String,
    ),
    /// It could not be checked.
    Not(
        /// Why.
        String,
    ),
}

/// Checks the signature file of `text` against a file of signers.
pub fn check(program: &Path, signers: &Path, signature: &Path, text: &[u8]) -> Checked {
    if !signers.exists() {
        return Checked::Not(format!("{} is not there", signers.display()));
    }
    let ask = |what: &str, more: &[&str], input: &[u8]| {
        let mut command = Command::new(program);
        command
            .args(["-Y", what, "-n", NAMESPACE])
            .args(more)
            .arg("-s")
            .arg(signature)
            .arg("-f")
            .arg(signers);
        run(command, input)
    };
    let found = match ask("find-principals", &[], b"") {
        Err(e) => return Checked::Not(e.words(program)),
        Ok(ran) => ran,
    };
    let names = String::from_utf8_lossy(&found.out).into_owned();
    let Some(name) = names.lines().next().filter(|_| found.well) else {
        return Checked::Bad(format!("nobody in {} made it: {}", signers.display(), found.complaint()));
    };
    match ask("verify", &["-I", name], text) {
        Err(e) => Checked::Not(e.words(program)),
        Ok(ran) if ran.well => Checked::By(name.to_owned()),
        Ok(ran) => Checked::Bad(ran.complaint()),
    }
}

struct Ran {
    well: bool,
    out: Vec<u8>,
    err: Vec<u8>,
}

impl Ran {
    /// What it complained of, in a line.
    fn complaint(&self) -> String {
        let text = String::from_utf8_lossy(&self.err);
        let lines: Vec<&str> =
            text.lines().map(|l| l.trim_matches(['@', ' '])).filter(|l| !l.is_empty()).collect();
        if lines.is_empty() { "it did not say why".into() } else { lines.join(" ") }
    }
}

#[derive(Debug)]
enum Failed {
    Missing(std::io::Error),
    Slow,
}

impl Failed {
    fn words(&self, program: &Path) -> String {
        let program = program.display();
        match self {
            Self::Missing(e) => format!("{program} cannot be run ({e}); install openssh-client"),
            Self::Slow => {
                format!("{program} did not end within 3 s; the key must need no passphrase or touch")
            }
        }
    }
}

fn run(mut command: Command, input: &[u8]) -> Result<Ran, Failed> {
    // Where it would ask, it is given a program that answers nothing.
    command.env("SSH_ASKPASS", "/bin/false").env("SSH_ASKPASS_REQUIRE", "force").env("LC_ALL", "C");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut running = Running(command.spawn().map_err(Failed::Missing)?);
    let child = &mut running.0;
    if let Some(mut stdin) = child.stdin.take() {
        let input = input.to_vec();
        std::thread::spawn(move || _ = stdin.write_all(&input));
    }
    let (out, err) = (drained(child.stdout.take()), drained(child.stderr.take()));
    let until = Until::within(WITHIN_NS);
    while !until.left().is_zero() {
        match child.try_wait() {
            Ok(Some(status)) => {
                return Ok(Ran {
                    well: status.success(),
                    out: gathered(&out, &until),
                    err: gathered(&err, &until),
                });
            }
            Ok(None) => std::thread::sleep(LOOK),
            Err(e) => return Err(Failed::Missing(e)),
        }
    }
    Err(Failed::Slow)
}

/// A moment on the machine's clock.
struct Until {
    clock: Clock,
    ns: u64,
}

impl Until {
    fn within(ns: u64) -> Self {
        let clock = Clock::real();
        Self { ns: clock.now().mono_ns + ns, clock }
    }

    /// What is left until then.
    fn left(&self) -> Duration {
        Duration::from_nanos(self.ns.saturating_sub(self.clock.now().mono_ns))
    }
}

/// What comes out of a pipe, piece by piece. Its end need not come with the program's: what
/// that left running may hold it open.
type Drain = Option<Receiver<Vec<u8>>>;

fn drained(pipe: Option<impl std::io::Read + Send + 'static>) -> Drain {
    let mut pipe = pipe?.take(MOST_SAID);
    let (tell, said) = channel();
    std::thread::spawn(move || {
        let mut piece = [0; 4096];
        loop {
            match pipe.read(&mut piece) {
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Ok(n @ 1..) if tell.send(piece[..n].to_vec()).is_ok() => {}
                // A pipe that breaks has said what it had to say.
                _ => return,
            }
        }
    });
    Some(said)
}

/// All that came until then.
fn gathered(drain: &Drain, until: &Until) -> Vec<u8> {
    let mut bytes = Vec::new();
    while let Some(Ok(piece)) = drain.as_ref().map(|said| said.recv_timeout(until.left())) {
        bytes.extend(piece);
    }
    bytes
}
