//! How a command reaches whoever may change what is stored.
//!
//! A pure file protocol. A command puts its [`Request`] as one file into
//! `inbox/`, whole or not at all; the owner of the lock takes the files in the
//! order of their names, takes each *in hand* by another ending, carries it out and
//! puts an [`Answer`] of the same name into `outbox/`, then removes the request. The
//! command reads its answer and removes it. A request whose answer is there already
//! is not carried out again, so that a crash between answer and removal does nothing
//! twice.
//!
//! Invariant: a request is either withdrawn by its command or taken in hand by the
//! owner, never both: the one removes the very name that the other renames.

use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::at::At;
use crate::journal::storage::{Kind, Storage};

mod request;

pub use request::{Answer, Ask, AttachAsk, MarkAsk, Opening, Request};

/// How often an answer is looked for.
pub const LOOK: Duration = Duration::from_millis(20);
/// How a request's file ends while its owner is at it.
const IN_HAND: &str = "in-hand";

/// A request waiting, with its file's name.
#[derive(Debug, Clone, PartialEq)]
pub struct Waiting {
    /// Name of the file; the answer bears the same.
    pub name: String,
    /// The request; `Err` says what is wrong with the file.
    pub request: Result<Request, String>,
}

/// What became of a request that was waited for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// It was answered.
    Answer(Answer),
    /// Nobody began with it; nothing was done.
    TakenBack,
    /// It is being carried out.
    StillInHand,
}

/// A data folder's inbox.
#[derive(Debug, Clone)]
pub struct Inbox<'a> {
    storage: &'a dyn Storage,
    asked: PathBuf,
    answered: PathBuf,
}

impl<'a> Inbox<'a> {
    /// The inbox of a data folder; makes its folders where needed.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn of(storage: &'a dyn Storage, data: &Path) -> io::Result<Self> {
        let inbox = Self { storage, asked: data.join("inbox"), answered: data.join("outbox") };
        storage.make_dir(&inbox.asked)?;
        storage.make_dir(&inbox.answered)?;
        Ok(inbox)
    }

    /// Whether a request may wait there: cheaper than [`Self::waiting`], and makes
    /// no folder. What strays there and is no request does not count.
    pub fn is_asked(storage: &dyn Storage, data: &Path) -> bool {
        let asked = data.join("inbox");
        let names = storage.list(&asked).unwrap_or_default();
        names.iter().any(|name| is_request(storage, &asked, name))
    }

    /// Puts a request in; `who` tells this process from others (its id). Gives
    /// the name under which the answer will be.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn ask(&self, request: &Request, who: u32) -> io::Result<String> {
        let name = format!("{:020}-{who}.json", request.at.0.max(0));
        let bytes = serde_json::to_vec(request).map_err(io::Error::other)?;
        self.storage.replace(&self.asked.join(&name), &bytes)?;
        Ok(name)
    }

    /// The requests waiting, oldest first. Those that have been answered are
    /// removed, not given; what is no file is none. One that cannot be read
    /// keeps no other waiting.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn waiting(&self) -> io::Result<Vec<Waiting>> {
        let mut waiting = Vec::new();
        for name in self.storage.list(&self.asked)? {
            if !is_request(self.storage, &self.asked, &name) {
                continue;
            }
            let path = self.asked.join(&name);
            if self.storage.has(&self.answered.join(&name))? {
                // Where it cannot be removed it is still not given again.
                let _ = self.storage.remove(&path);
                continue;
            }
            let request = match self.storage.read(&path) {
                Ok(bytes) => serde_json::from_slice(&bytes).map_err(|e| format!("request {name}: {e}")),
                // Withdrawn meanwhile.
                Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
                Err(e) => Err(format!("request {name} cannot be read: {e}")),
            };
            waiting.push(Waiting { name, request });
        }
        Ok(waiting)
    }

    /// Takes a request in hand: its command cannot withdraw it any more. `false` where
    /// it has been withdrawn.
    ///
    /// # Errors
    /// Whatever the disk says; it is not in hand then.
    pub fn take_in_hand(&self, name: &str) -> io::Result<bool> {
        match self.storage.rename(&self.asked.join(name), &self.in_hand(name)) {
            Ok(()) => Ok(true),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(e) => Err(e),
        }
    }

    fn in_hand(&self, name: &str) -> PathBuf {
        self.asked.join(name).with_extension(IN_HAND)
    }

    /// What an owner that died had in hand waits again. Call it as the new owner,
    /// before anything is taken in hand. What cannot be put back waits for the next.
    pub fn put_back(storage: &dyn Storage, data: &Path) {
        let asked = data.join("inbox");
        for name in storage.list(&asked).unwrap_or_default() {
            let path = asked.join(&name);
            if path.extension().is_some_and(|e| e == IN_HAND) {
                let _ = storage.rename(&path, &path.with_extension("json"));
            }
        }
    }

    /// Answers a request and removes it.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn answer(&self, name: &str, answer: &Answer) -> io::Result<()> {
        let bytes = serde_json::to_vec(answer).map_err(io::Error::other)?;
        self.storage.replace(&self.answered.join(name), &bytes)?;
        // The command may have taken its answer, and the request with it.
        self.forget(name)
    }

    /// Takes the answer to a request, where it is there.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn take_answer(&self, name: &str) -> io::Result<Option<Answer>> {
        let path = self.answered.join(name);
        let bytes = match self.storage.read(&path) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) => return Err(e),
        };
        let answer = serde_json::from_slice(&bytes).map_err(io::Error::other)?;
        // The request first, durably, whoever removed it: without an answer it would be
        // carried out again.
        self.forget(name)?;
        self.storage.sync_dir(&self.asked)?;
        self.storage.remove(&path)?;
        Ok(Some(answer))
    }

    /// Waits for the answer to a request; one that nobody began within `patience` is taken
    /// back. For who holds the data folder beside the one that answers: while both live
    /// no other can.
    ///
    /// # Errors
    /// Whatever the disk says; the request may still be carried out then.
    pub fn hear(&self, name: &str, patience: Duration) -> io::Result<Heard> {
        let mut waited = Duration::ZERO;
        loop {
            if let Some(answer) = self.take_answer(name)? {
                return Ok(Heard::Answer(answer));
            }
            if waited >= patience {
                let taken_back = self.withdraw(name)?;
                return Ok(if taken_back { Heard::TakenBack } else { Heard::StillInHand });
            }
            std::thread::sleep(LOOK);
            waited += LOOK;
        }
    }

    /// Removes the answers to what was asked more than a day before `now`: whoever
    /// asked was killed. One whose request lies there still is kept: it alone says
    /// that the request was carried out. What cannot be removed harms nobody.
    pub fn forget_old_answers(storage: &dyn Storage, data: &Path, now: At) {
        let (asked, answered) = (data.join("inbox"), data.join("outbox"));
        // A disk that cannot say is no "no".
        let lies_there = |name: &str| {
            let path = asked.join(name);
            storage.has(&path).unwrap_or(true) || storage.has(&path.with_extension(IN_HAND)).unwrap_or(true)
        };
        let before = now.plus_s(-86_400).0;
        let is_old = |name: &str| {
            let asked_ns = name.split_once('-').and_then(|(ns, _)| ns.parse::<i64>().ok());
            asked_ns.is_some_and(|ns| ns < before)
        };
        let names = storage.list(&answered).unwrap_or_default();
        let old: Vec<_> = names.into_iter().filter(|n| is_old(n) && !lies_there(n)).collect();
        // A request may have been removed just now: its name must not come back alone.
        if old.is_empty() || storage.sync_dir(&asked).is_err() {
            return;
        }
        for name in old {
            let _ = storage.remove(&answered.join(name));
        }
    }

    /// Takes a request back. `false` where the owner has it in hand already, or has
    /// answered it.
    ///
    /// # Errors
    /// Whatever the disk says; the request may still be carried out then.
    pub fn withdraw(&self, name: &str) -> io::Result<bool> {
        self.storage.remove_if_there(&self.asked.join(name))
    }

    /// Removes a request, also one that an owner who is gone had in hand.
    ///
    /// # Errors
    /// Whatever the disk says.
    pub fn forget(&self, name: &str) -> io::Result<()> {
        self.storage.remove_if_there(&self.asked.join(name))?;
        self.storage.remove_if_there(&self.in_hand(name)).map(|_| ())
    }
}

/// Whether a name in the inbox is a request's: a plain file that is there whole.
fn is_request(storage: &dyn Storage, asked: &Path, name: &str) -> bool {
    !name.starts_with('.')
        && Path::new(name).extension().is_some_and(|e| e == "json")
        && storage.kind(&asked.join(name)).is_ok_and(|kind| kind == Kind::File)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::storage::Disk;

    #[test]
    fn a_request_is_answered_once() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let request = Request {
            at: At(5_000_000),
            by: Some("ada".into()),
            ask: Ask::Close { lot: "2026-07-14-1".into() },
        };
        let name = inbox.ask(&request, 7).unwrap();
        assert_eq!(inbox.take_answer(&name).unwrap(), None);
        let waiting = inbox.waiting().unwrap();
        assert_eq!(waiting[0].request.as_ref().unwrap(), &request);
        let answer = Answer { text: "closed".into(), ..Answer::default() };
        inbox.answer(&name, &answer).unwrap();
        // As if the owner had died before removing it.
        std::fs::write(dir.path().join("inbox").join(&name), "{}").unwrap();
        assert!(inbox.waiting().unwrap().is_empty());
        assert_eq!(inbox.take_answer(&name).unwrap(), Some(answer));
        assert_eq!(inbox.take_answer(&name).unwrap(), None);
    }

    /// A command gave up on a request that was being carried out already.
    #[test]
    fn a_request_is_withdrawn_or_taken_in_hand_and_never_both() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let ask = |at| {
            inbox.ask(&Request { at: At(at), by: None, ask: Ask::Close { lot: "x".into() } }, 7).unwrap()
        };
        let (first, second) = (ask(5), ask(6));
        assert!(inbox.take_in_hand(&first).unwrap());
        assert!(!inbox.withdraw(&first).unwrap(), "it is being worked at");
        assert!(inbox.withdraw(&second).unwrap());
        assert!(!inbox.take_in_hand(&second).unwrap(), "nobody wants it any more");
        assert!(inbox.waiting().unwrap().is_empty() && !Inbox::is_asked(&Disk, dir.path()));
        // The owner dies over it: the next one does it.
        Inbox::put_back(&Disk, dir.path());
        assert_eq!(inbox.waiting().unwrap()[0].name, first);
        assert!(inbox.take_in_hand(&first).unwrap());
        inbox.answer(&first, &Answer::default()).unwrap();
        assert_eq!(Disk.list(&dir.path().join("inbox")).unwrap(), [""; 0]);
    }

    /// The answers to commands that were killed stayed for ever.
    #[test]
    fn old_answers_go() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let now: At = "2026-07-14T06:00:00Z".parse().unwrap();
        let ask = |at| {
            let request = Request { at, by: None, ask: Ask::Close { lot: "x".into() } };
            let name = inbox.ask(&request, 7).unwrap();
            inbox.answer(&name, &Answer::default()).unwrap();
            name
        };
        let (_old, new) = (ask(now.plus_s(-90_000)), ask(now.plus_s(-3600)));
        std::fs::write(dir.path().join("outbox/mine.txt"), "").unwrap();
        Inbox::forget_old_answers(&Disk, dir.path(), now);
        assert_eq!(Disk.list(&dir.path().join("outbox")).unwrap(), [new, "mine.txt".into()]);
    }

    /// A daemon killed between answer and removal, and started a day later, did it again.
    #[test]
    fn an_old_answer_stays_while_its_request_does() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        let now: At = "2026-07-14T06:00:00Z".parse().unwrap();
        for in_hand in [false, true] {
            let ask = Ask::Close { lot: "x".into() };
            let request = Request { at: now.plus_s(-90_000), by: None, ask };
            let name = inbox.ask(&request, 7).unwrap();
            inbox.answer(&name, &Answer::default()).unwrap();
            // As if the owner had died before removing it.
            inbox.ask(&request, 7).unwrap();
            assert!(!in_hand || inbox.take_in_hand(&name).unwrap());
            Inbox::forget_old_answers(&Disk, dir.path(), now);
            Inbox::put_back(&Disk, dir.path());
            assert!(inbox.waiting().unwrap().is_empty(), "it was carried out, in hand {in_hand}");
            Inbox::forget_old_answers(&Disk, dir.path(), now);
            assert_eq!(Disk.list(&dir.path().join("outbox")).unwrap(), [""; 0]);
        }
    }

    /// A folder called like a request kept every request after it waiting.
    #[test]
    fn what_is_no_request_keeps_none_waiting() {
        let dir = tempfile::tempdir().unwrap();
        let inbox = Inbox::of(&Disk, dir.path()).unwrap();
        for folder in ["0.json", "1.json"] {
            std::fs::create_dir(dir.path().join("inbox").join(folder)).unwrap();
        }
        std::fs::write(dir.path().join("outbox/1.json"), "{}").unwrap();
        // The record was synced five times a second for its sake.
        std::fs::write(dir.path().join("inbox/.3.json.new"), "{}").unwrap();
        std::fs::write(dir.path().join("inbox/read me.txt"), "").unwrap();
        assert!(!Inbox::is_asked(&Disk, dir.path()));
        std::fs::write(dir.path().join("inbox/2.json"), b"\xff").unwrap();
        let ask = Ask::Close { lot: "2026-07-14-1".into() };
        let name = inbox.ask(&Request { at: At(5), by: None, ask }, 7).unwrap();
        assert!(Inbox::is_asked(&Disk, dir.path()));
        let waiting = inbox.waiting().unwrap();
        let names: Vec<&str> = waiting.iter().map(|w| w.name.as_str()).collect();
        assert_eq!(names, [name.as_str(), "2.json"]);
        assert!(waiting[1].request.as_ref().is_err_and(|e| e.contains("request 2.json")));
    }
}
