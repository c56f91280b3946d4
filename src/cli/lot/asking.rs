//! How a request is carried out: by the daemon where one holds the data folder, else
//! by the command in its place.
//!
//! Invariant: a command that says it was not answered has taken its request back;
//! nothing is done behind its back.

use std::path::Path;
use std::time::Duration;

use super::room::{Room, failure, fit_kettle};
use crate::cli::error::Failure;
use crate::cli::remark;
use crate::daemon::resume;
use crate::daemon::ssh_keygen::SshKeygen;
use crate::daemon::trust::Trust;
use crate::journal::{Journal, Moment, Settings};
use crate::lot::hold::Hold;
use crate::lot::inbox::{Answer, Ask, Inbox, LOOK, MarkAsk, Request};
use crate::lot::life::Lots;
use crate::wire::line::write_mark;

impl Room {
    /// Asks whoever holds the data folder, until there is an answer or the folder
    /// is free: another command holds it for a moment, and answers nobody.
    pub(super) fn have_done(&self, request: &Request) -> Result<Answer, Failure> {
        let data = self.store.data();
        let io = |e| cannot_ask(data, &e);
        if let Some(_hold) = hold(data)? {
            return self.carry_out(request);
        }
        let inbox = Inbox::of(&*self.storage, data).map_err(io)?;
        let name = inbox.ask(request, std::process::id()).map_err(io)?;
        self.wait_for(&inbox, &name, request)
    }

    /// Waits for the answer to what was asked under that name. Nobody waits for ever
    /// for an owner that does not begin; one that has begun is waited for.
    fn wait_for(&self, inbox: &Inbox, name: &str, request: &Request) -> Result<Answer, Failure> {
        let data = self.store.data();
        let io = |e| cannot_ask(data, &e);
        let (mut waited, mut in_hand) = (Duration::ZERO, false);
        loop {
            // Whoever holds the folder is the only one to answer: what is not
            // answered then is done by nobody else, and never twice.
            let held = hold(data)?;
            if let Some(answer) = inbox.take_answer(name).map_err(io)? {
                return Ok(answer);
            }
            if held.is_some() {
                inbox.forget(name).map_err(io)?;
                return self.carry_out(request);
            }
            if !in_hand && waited >= self.patience {
                if inbox.withdraw(name).map_err(|e| not_taken_back(data, &e))? {
                    return Err(self.not_answered());
                }
                in_hand = true;
                remark(
                    "curdtrace: it is being carried out and takes long; waiting for its end. Ending this command does not stop it",
                );
            }
            std::thread::sleep(LOOK);
            waited += LOOK;
        }
    }

    fn not_answered(&self) -> Failure {
        Failure::unavailable(format_args!(
            "the process that holds {} did not begin with it within {} s, and nothing was done; is the daemon well?",
            self.store.data().display(),
            self.patience.as_secs()
        ))
    }

    fn carry_out(&self, request: &Request) -> Result<Answer, Failure> {
        Inbox::forget_old_answers(&*self.storage, self.store.data(), request.at);
        let signer = SshKeygen::of(&self.signing);
        let (mut lots, finished) =
            Lots::open_signing(self.storage.clone(), self.store.data(), self.dairy.clone(), signer)
                .map_err(|e| failure(&e))?;
        for words in finished.iter().chain(lots.troubles()) {
            remark(&format!("curdtrace: {words}"));
        }
        if let Ask::Mark(mark) = &request.ask {
            self.write_mark(mark, request)?;
            let text = match (lots.apply(request), &mark.lot) {
                (Ok(done), _) => done.text,
                (Err(e), Some(lot)) => {
                    return Err(Failure::data(format_args!(
                        "{} is marked on kettle {}, but not in lot {lot}: {e}",
                        mark.name, mark.kettle
                    )));
                }
                (Err(_), None) => {
                    format!("marked {} on kettle {}; no lot is open on it", mark.name, mark.kettle)
                }
            };
            return Ok(Answer { code: 0, text, lot: None });
        }
        Ok(Answer::of(lots.apply(request).as_ref()))
    }

    /// Without a daemon a mark goes straight into the journal.
    fn write_mark(&self, ask: &MarkAsk, request: &Request) -> Result<(), Failure> {
        fit_kettle(&ask.kettle)?;
        let mark = crate::engine::event::Mark {
            kettle: ask.kettle.as_str().into(),
            kind: ask.kind().map_err(Failure::usage)?,
            by: request.by.as_deref().map(Into::into),
        };
        let now = self.clock.now();
        let boot = self.clock.boot_id().unwrap_or_else(|| format!("run-{}", now.wall_ns));
        let dir = self.store.journal();
        let (mut journal, found) =
            Journal::open(self.storage.clone(), &dir, Settings::default(), &boot).map_err(Failure::io)?;
        // Whoever opens it first is the only one to see what it had lost.
        let lost = found.cut.iter().map(ToString::to_string);
        for words in lost.chain(found.damage.iter().map(ToString::to_string)) {
            remark(&format!("curdtrace: {words}"));
        }
        // As the daemon judges it: a mark that was called sure made a wrong clock the
        // last one trusted.
        let newest = resume::newest_trusted(&self.storage, &dir, self.look_back_ns).map_err(Failure::io)?;
        let clock_sure = Trust::from(newest, now).is_sure();
        let at = Moment { mono_ns: now.mono_ns, offset_ns: now.offset_ns(), clock_sure };
        let mut line = String::new();
        write_mark(&mut line, &mark, now.wall_ns);
        journal.push(&line, at).map_err(Failure::io)?;
        journal.commit().map(|_| ()).map_err(Failure::io)
    }
}

fn hold(data: &Path) -> Result<Option<Hold>, Failure> {
    Hold::take(data)
        .map_err(|e| Failure::io(format_args!("cannot use the data folder {}: {e}", data.display())))
}

fn cannot_ask(data: &Path, e: &std::io::Error) -> Failure {
    Failure::io(format_args!("cannot ask the daemon through {}: {e}", data.display()))
}

fn not_taken_back(data: &Path, e: &std::io::Error) -> Failure {
    Failure::io(format_args!(
        "not answered, and the request in {} cannot be taken back ({e}): it may still be carried out; look with `curdtrace lot show` before it is asked again",
        data.join("inbox").display()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::Place;
    use crate::journal::storage::{Disk, Storage as _};
    use crate::lot::at::At;

    /// What a command without patience hears, whose owner takes its request in hand and
    /// is slow, or does not begin.
    fn heard(owner_begins: bool) -> Result<Answer, Failure> {
        let dir = tempfile::tempdir().unwrap();
        let _hold = Hold::take(dir.path()).unwrap();
        let mut room = Room::enter(Place { data: Some(dir.path().into()), config: None }).unwrap();
        room.patience = Duration::ZERO;
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let request = Request { at: At(5), by: None, ask: Ask::Close { lot: "a-1".into() } };
        let name = inbox.ask(&request, 7).unwrap();
        if owner_begins {
            assert!(inbox.take_in_hand(&name).unwrap());
        }
        let heard = std::thread::scope(|s| {
            let command = s.spawn(|| room.wait_for(&inbox, &name, &request));
            if owner_begins {
                std::thread::sleep(5 * LOOK);
                inbox.answer(&name, &Answer { text: "closed".into(), ..Answer::default() }).unwrap();
            }
            command.join().unwrap()
        });
        assert_eq!(Disk.list(&dir.path().join("inbox")).unwrap(), [""; 0]);
        heard
    }

    /// It said "did not answer", and what it had asked was done all the same.
    #[test]
    fn a_command_gives_up_only_what_nobody_has_in_hand() {
        assert_eq!(heard(true).unwrap().text, "closed");
        let why = heard(false).unwrap_err();
        assert_eq!(why.exit_code(), 69, "{why}");
        assert!(why.to_string().contains("nothing was done"), "{why}");
    }
}
