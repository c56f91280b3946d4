//! An alarm as a command: a program of the house's own, with the alarm in its
//! environment (`CURDTRACE_ALARM`, `CURDTRACE_KETTLE`, `CURDTRACE_WORDS`, …)
//! and, for a sound, a WAV file on its input.
//!
//! The program is named in the configuration and run without a shell, so that
//! no kettle's name is ever part of a command line.
//!
//! Invariant: an outlet has one attempt at a time. One that hangs in its start cannot
//! be ended; each retry beside it would leave another thread and another child.

use std::io::Write as _;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot};

use super::alerts::Call;
use super::running::Running;

/// How often a running program is looked at.
const LOOK: Duration = Duration::from_millis(50);

/// Whose turn it is to run an outlet's program.
#[derive(Debug, Clone)]
pub struct Turn(Arc<Semaphore>);

impl Default for Turn {
    fn default() -> Self {
        Self(Arc::new(Semaphore::new(1)))
    }
}

impl Turn {
    /// Waits until no attempt is at it any more.
    async fn come(&self) -> Result<OwnedSemaphorePermit, String> {
        self.0.clone().acquire_owned().await.map_err(|e| e.to_string())
    }
}

/// Runs the program once its `turn` has come and waits for its end; well where it ends
/// with 0. A caller that stops waiting ends the program. A thread of its own starts it:
/// the program may lie on a disk that hangs.
///
/// # Errors
/// What failed, in words.
pub async fn run(argv: &[String], call: &Call, input: Option<Vec<u8>>, turn: &Turn) -> Result<(), String> {
    let Some((program, arguments)) = argv.split_first() else { return Err("no program is named".into()) };
    let mut command = Command::new(program);
    command.args(arguments).stdout(Stdio::null()).stderr(Stdio::null());
    command.stdin(if input.is_some() { Stdio::piped() } else { Stdio::null() });
    for (name, value) in call.places() {
        command.env(format!("CURDTRACE_{}", name.to_uppercase()), value);
    }
    let at_it = turn.come().await?;
    let (tell, ended) = oneshot::channel();
    // Held while somebody waits.
    let (waits, waited_for) = channel();
    let named = program.clone();
    std::thread::Builder::new()
        .name("alert".into())
        .spawn(move || {
            let outcome = run_to_end(command, &named, input, &waited_for);
            drop(at_it);
            // Who waited may be gone; then nobody needs to know.
            let _ = tell.send(outcome);
        })
        .map_err(|e| format!("{program} cannot be run: {e}"))?;
    let outcome = ended.await.unwrap_or_else(|_| Err(format!("{program} is lost")));
    drop(waits);
    outcome
}

fn run_to_end(
    mut command: Command,
    program: &str,
    input: Option<Vec<u8>>,
    waited_for: &Receiver<()>,
) -> Result<(), String> {
    let mut child = command.spawn().map_err(|e| format!("{program} cannot be run: {e}"))?;
    if let (Some(bytes), Some(mut stdin)) = (input, child.stdin.take()) {
        // A player takes its file at its own pace; nobody waits for it here.
        std::thread::spawn(move || _ = stdin.write_all(&bytes));
    }
    let mut running = Running(child);
    loop {
        match running.0.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("{program} ended with {status}")),
            Ok(None) => {}
            Err(e) => return Err(format!("{program} is lost: {e}")),
        }
        if waited_for.recv_timeout(LOOK) == Err(RecvTimeoutError::Disconnected) {
            return Err(format!("{program} was ended"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sh(script: &str) -> Vec<String> {
        ["/bin/sh", "-c", script].map(str::to_owned).to_vec()
    }

    #[tokio::test]
    async fn the_alarm_is_in_the_environment_and_the_sound_on_the_input() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("said");
        let call = Call { alarm: "heat-off".into(), words: "off; rm -rf $HOME".into(), ..Call::default() };
        let script = format!(
            "printf '%s|%s|' \"$CURDTRACE_ALARM\" \"$CURDTRACE_WORDS\" > {0}; cat >> {0}",
            out.display()
        );
        run(&sh(&script), &call, Some(b"RIFF".to_vec()), &Turn::default()).await.unwrap();
        assert_eq!(std::fs::read_to_string(out).unwrap(), "heat-off|off; rm -rf $HOME|RIFF");
    }

    #[tokio::test]
    async fn a_program_that_fails_or_is_not_there_is_a_failure() {
        let turn = Turn::default();
        assert!(run(&sh("exit 3"), &Call::default(), None, &turn).await.unwrap_err().contains('3'));
        assert!(run(&["/no/such/program".into()], &Call::default(), None, &turn).await.is_err());
        assert!(run(&[], &Call::default(), None, &turn).await.is_err());
        assert_eq!(run(&sh("exit 0"), &Call::default(), None, &turn).await, Ok(()), "its turn came again");
    }

    /// A program on a disk that hangs left a thread and a child for each retry.
    #[tokio::test]
    async fn while_an_attempt_hangs_no_other_is_begun() {
        let dir = tempfile::tempdir().unwrap();
        let there = dir.path().join("begun");
        let (turn, call) = (Turn::default(), Call::default());
        let argv = sh(&format!(": > {}", there.display()));
        let hangs = turn.come().await;
        let waited = tokio::time::timeout(2 * LOOK, run(&argv, &call, None, &turn)).await;
        assert!(waited.is_err() && !there.exists());
        drop(hangs);
        assert_eq!(run(&argv, &call, None, &turn).await, Ok(()));
        assert!(there.exists());
    }

    #[tokio::test]
    async fn a_program_nobody_waits_for_is_ended() {
        let dir = tempfile::tempdir().unwrap();
        let pid = dir.path().join("pid");
        let argv = sh(&format!("echo $$ > {}; exec sleep 600", pid.display()));
        let waited = tokio::time::timeout(
            Duration::from_millis(500),
            run(&argv, &Call::default(), None, &Turn::default()),
        )
        .await;
        assert!(waited.is_err());
        let pid = std::fs::read_to_string(pid).unwrap();
        let process = format!("/proc/{}", pid.trim());
        for _ in 0..400 {
            if !std::path::Path::new(&process).exists() {
                return;
            }
            tokio::time::sleep(LOOK).await;
        }
        panic!("it goes on");
    }
}
