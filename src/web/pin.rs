//! The PIN: typed once a device, kept only as a hash, tried slowly.
//!
//! Terms: the *PIN* is what a person types; a *token* is what the device keeps
//! afterwards (128 random bits), so that it is not asked again.
//!
//! Invariants: neither PIN nor token stands anywhere in plain. Hashes are
//! compared in constant time. After five wrong tries from one address, or
//! twenty from all together, within ten minutes, no further try is looked at
//! until those are over. Who only asks never waits for the disk: files are written
//! beside what is known, one writer at a time, and what is known follows them.
//!
//! A PIN of six digits has a million values, so no hash withstands someone who
//! holds the file; PBKDF2 (RFC 8018) makes it slow, and it is built here from
//! the SHA-256 that the tree has anyhow, checked against published vectors.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::io;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use sha2::{Digest, Sha256};
use tokio::time::Instant;

use crate::config::whole_file;
use slow::pbkdf2;

mod slow;

/// Rounds of a PIN's hash: some hundredths of a second where the program is
/// built for use, a second or more where it is not optimized.
pub const ROUNDS: u32 = 100_000;
const WINDOW: Duration = Duration::from_secs(600);
const TRIES_EACH: usize = 5;
const TRIES_ALL: usize = 20;

/// What a PIN may be: 4 to 64 digits, since there are no other keys to type it with.
pub fn fit(pin: &str) -> bool {
    (4..=64).contains(&pin.len()) && pin.bytes().all(|b| b.is_ascii_digit())
}

/// What came of a try.
#[derive(Debug, PartialEq, Eq)]
pub enum Tried {
    /// Right: the device's token.
    Right(String),
    /// Wrong.
    Wrong,
    /// Too many tries; wait this many seconds.
    TooMany(u64),
    /// No PIN is set, so none can be right.
    NoneSet,
    /// Right, but the machine has no random number for a token.
    Failed,
}

/// The PIN's hash and the devices that know it, in two files.
#[derive(Debug)]
pub struct PinDesk {
    folder: PathBuf,
    rounds: u32,
    inner: Mutex<Inner>,
    /// Held from before a file is written until what is known follows it, so that disk and
    /// memory have the same order. Taken before `inner`, and by writers only.
    writing: Mutex<()>,
}

#[derive(Debug, Default)]
struct Inner {
    hash: Option<String>,
    devices: BTreeSet<String>,
    wrong: BTreeMap<Option<IpAddr>, Vec<Instant>>,
}

impl PinDesk {
    /// Reads what is kept in `folder` (`pin`, `devices`); missing files mean
    /// that no PIN is set. `rounds` are those of a PIN set from now on.
    pub fn open(folder: &Path, rounds: u32) -> Self {
        let hash = fs::read_to_string(folder.join("pin")).ok().map(|t| t.trim().to_owned());
        let devices = fs::read_to_string(folder.join("devices")).unwrap_or_default();
        let devices = devices.lines().map(str::to_owned).filter(|l| l.len() == 64).collect();
        let inner = Inner { hash: hash.filter(|h| !h.is_empty()), devices, wrong: BTreeMap::new() };
        Self { folder: folder.to_owned(), rounds, inner: Mutex::new(inner), writing: Mutex::default() }
    }

    /// For a moment only: the page's one thread asks too.
    fn inner(&self) -> std::sync::MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn writer(&self) -> std::sync::MutexGuard<'_, ()> {
        self.writing.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a PIN is set.
    pub fn is_set(&self) -> bool {
        self.inner().hash.is_some()
    }

    /// Sets the PIN and forgets every device. The PIN's file goes last: until it
    /// is there the old PIN holds, here and after the next start, and from then
    /// on the new one. It waits for the disk: call it where that may be.
    ///
    /// # Errors
    /// Where the files cannot be written; then nothing has changed, but that
    /// devices may have to type the old PIN again after the next start.
    pub fn set(&self, pin: &str) -> io::Result<()> {
        let hash = hashed(pin, &random_hex()?, self.rounds);
        let _turn = self.writer();
        keep(&self.folder, "devices", "")?;
        if let Err(error) = keep(&self.folder, "pin", &format!("{hash}\n")) {
            let known = lines_of(&self.inner().devices);
            if let Err(error) = keep(&self.folder, "devices", &known) {
                tracing::warn!(%error, "devices are known until the next start only; free the disk");
            }
            return Err(error);
        }
        let mut inner = self.inner();
        inner.hash = Some(hash);
        inner.devices.clear();
        Ok(())
    }

    /// One try from `address`. It hashes for some hundredths of a second, and waits for
    /// the disk: call it where that may be.
    pub fn try_pin(&self, pin: &str, address: Option<IpAddr>, now: Instant) -> Tried {
        let Some(hash) = self.inner().hash.clone() else { return Tried::NoneSet };
        if let Err(wait) = self.begin_try(address, now) {
            return Tried::TooMany(wait);
        }
        if !matches(pin, &hash) {
            return Tried::Wrong;
        }
        self.forget_try(address, now);
        match self.new_device(&hash) {
            Ok(Some(token)) => Tried::Right(token),
            // Another was set while this one was looked at.
            Ok(None) => Tried::Wrong,
            Err(error) => {
                tracing::error!(%error, "no token can be made for a device");
                Tried::Failed
            }
        }
    }

    /// Counts a try as wrong before it is looked at, so that tries made at once
    /// cannot all slip in before the first is found wrong; or the seconds to wait.
    fn begin_try(&self, address: Option<IpAddr>, now: Instant) -> Result<(), u64> {
        let mut inner = self.inner();
        if let Some(wait) = inner.must_wait(address, now) {
            return Err(wait);
        }
        inner.wrong.entry(address).or_default().push(now);
        Ok(())
    }

    /// The try was right after all.
    fn forget_try(&self, address: Option<IpAddr>, now: Instant) {
        if let Some(tries) = self.inner().wrong.get_mut(&address)
            && let Some(at) = tries.iter().position(|t| *t == now)
        {
            tries.remove(at);
        }
    }

    /// A token for a device that knows the PIN of that hash, and is known from now on;
    /// where the disk does not take it, until the next start: then it is asked again.
    /// `None` where that PIN holds no more.
    fn new_device(&self, hash: &str) -> io::Result<Option<String>> {
        let token = random_hex()?;
        let _turn = self.writer();
        let mut devices = {
            let inner = self.inner();
            if inner.hash.as_deref() != Some(hash) {
                return Ok(None);
            }
            inner.devices.clone()
        };
        devices.insert(sha256_hex(token.as_bytes()));
        if let Err(error) = keep(&self.folder, "devices", &lines_of(&devices)) {
            tracing::warn!(%error, "a device is known until the next start only; free the disk");
        }
        self.inner().devices = devices;
        Ok(Some(token))
    }

    /// Whether the token is a known device's. Tokens have 128 random bits and
    /// are looked up by hash, so that timing tells nothing.
    pub fn knows(&self, token: &str) -> bool {
        self.inner().devices.contains(&sha256_hex(token.as_bytes()))
    }
}

impl Inner {
    /// Seconds until a try from there is looked at again; `None` where it is now.
    fn must_wait(&mut self, address: Option<IpAddr>, now: Instant) -> Option<u64> {
        self.wrong.retain(|_, tries| {
            tries.retain(|t| now.saturating_duration_since(*t) < WINDOW);
            !tries.is_empty()
        });
        let mine = self.wrong.get(&address).map_or(0, Vec::len);
        let all: usize = self.wrong.values().map(Vec::len).sum();
        let oldest = match (mine >= TRIES_EACH, all >= TRIES_ALL) {
            (true, _) => self.wrong.get(&address)?.iter().min().copied()?,
            (false, true) => self.wrong.values().flatten().min().copied()?,
            (false, false) => return None,
        };
        Some(WINDOW.saturating_sub(now.saturating_duration_since(oldest)).as_secs() + 1)
    }
}

/// The devices as their file has them.
fn lines_of(devices: &BTreeSet<String>) -> String {
    devices.iter().fold(String::new(), |mut t, d| {
        let _ = writeln!(t, "{d}");
        t
    })
}

/// Writes a file whole. An error says that the old one is there as before: once the
/// new one bears the name it is what counts.
fn keep(folder: &Path, name: &str, text: &str) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    let file = folder.join(name);
    whole_file::put(&file, text, 0o600)?;
    if let Err(error) = whole_file::settle(&file) {
        tracing::warn!(%error, "{name} is written, but may be the old one again after a power cut");
    }
    Ok(())
}

fn random_hex() -> io::Result<String> {
    let mut bytes = [0; 16];
    rustix::rand::getrandom(&mut bytes[..], rustix::rand::GetRandomFlags::empty())?;
    Ok(hex(&bytes))
}

/// `pbkdf2-sha256$rounds$salt$hash`.
fn hashed(pin: &str, salt: &str, rounds: u32) -> String {
    format!("pbkdf2-sha256${rounds}${salt}${}", hex(&pbkdf2(pin.as_bytes(), salt.as_bytes(), rounds)))
}

fn matches(pin: &str, kept: &str) -> bool {
    let parts: Vec<&str> = kept.split('$').collect();
    let [_, rounds, salt, _] = parts[..] else { return false };
    let Ok(rounds) = rounds.parse::<u32>() else { return false };
    let ours = hashed(pin, salt, rounds.min(10_000_000));
    ours.len() == kept.len() && ours.bytes().zip(kept.bytes()).fold(0, |d, (a, b)| d | (a ^ b)) == 0
}

fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes as lower-case hexadecimal.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut t, b| {
        let _ = write!(t, "{b:02x}");
        t
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_device_types_it_once_and_a_guesser_is_stopped() {
        let dir = tempfile::tempdir().unwrap();
        let desk = PinDesk::open(dir.path(), 100);
        let now = Instant::now();
        assert_eq!(desk.try_pin("2580", None, now), Tried::NoneSet);
        desk.set("2580").unwrap();
        let Tried::Right(token) = desk.try_pin("2580", None, now) else { panic!("the right PIN is refused") };
        let text = fs::read_to_string(dir.path().join("devices")).unwrap();
        assert!(!text.contains(&token));
        // After a restart the device is still known; another is not.
        let again = PinDesk::open(dir.path(), 100);
        assert!(again.knows(&token) && !again.knows("00"));
        for _ in 0..TRIES_EACH {
            assert_eq!(again.try_pin("0000", None, now), Tried::Wrong);
        }
        assert!(matches!(again.try_pin("2580", None, now), Tried::TooMany(1..=601)));
        let later = now + WINDOW;
        assert!(matches!(again.try_pin("2580", None, later), Tried::Right(_)));
        // A right one does not count as a try, a wrong one before it still does.
        assert_eq!(again.try_pin("0000", None, later), Tried::Wrong);
        assert!(matches!(again.try_pin("2580", None, later), Tried::Right(_)));
        assert_eq!(again.inner().wrong[&None].len(), 1);
        again.set("1357").unwrap();
        assert!(!again.knows(&token));
    }

    /// Where a file is written before it is renamed.
    fn beside(name: &str) -> String {
        format!("{name}.{}.new", std::process::id())
    }

    /// A PIN that could not be set held after the next start, and nobody knew it.
    #[tokio::test]
    async fn a_pin_that_cannot_be_set_leaves_the_old_one_and_its_devices() {
        for in_the_way in [beside("devices"), beside("pin")] {
            let dir = tempfile::tempdir().unwrap();
            let desk = PinDesk::open(dir.path(), 100);
            desk.set("2580").unwrap();
            let Tried::Right(token) = desk.try_pin("2580", None, Instant::now()) else { panic!("refused") };
            fs::create_dir(dir.path().join(&in_the_way)).unwrap();
            assert!(desk.set("1357").is_err());
            for desk in [desk, PinDesk::open(dir.path(), 100)] {
                assert!(desk.knows(&token), "{in_the_way}");
                assert_eq!(desk.try_pin("1357", None, Instant::now()), Tried::Wrong, "{in_the_way}");
                assert!(
                    matches!(desk.try_pin("2580", None, Instant::now()), Tried::Right(_)),
                    "{in_the_way}"
                );
            }
        }
    }

    /// Whoever has an alarm to take must not be told that the right PIN is wrong.
    #[tokio::test]
    async fn the_right_pin_is_right_on_a_full_disk() {
        let dir = tempfile::tempdir().unwrap();
        let desk = PinDesk::open(dir.path(), 100);
        desk.set("2580").unwrap();
        // A folder in the way, since tests may run as a user whom no mode stops.
        fs::create_dir(dir.path().join(beside("devices"))).unwrap();
        let Tried::Right(token) = desk.try_pin("2580", None, Instant::now()) else {
            panic!("the right PIN is refused")
        };
        assert!(desk.knows(&token));
        assert!(!PinDesk::open(dir.path(), 100).knows(&token), "nothing of it is on disk");
    }

    /// While the disk hung, whoever asked whether a PIN is set stood still with it: the
    /// page's thread, which is the engine's.
    #[tokio::test]
    async fn who_asks_does_not_wait_for_a_disk_that_hangs() {
        let dir = tempfile::tempdir().unwrap();
        let desk = PinDesk::open(dir.path(), 100);
        desk.set("2580").unwrap();
        let Tried::Right(token) = desk.try_pin("2580", None, Instant::now()) else { panic!("refused") };
        // Who opens a pipe to write into it waits for a reader.
        let pipe = dir.path().join(beside("devices"));
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let (say, asked) = std::sync::mpsc::channel();
        std::thread::scope(|s| {
            let setting = s.spawn(|| desk.set("1357"));
            s.spawn(|| {
                std::thread::sleep(Duration::from_millis(300));
                let _ = say.send((desk.is_set(), desk.knows(&token)));
            });
            let answer = asked.recv_timeout(Duration::from_secs(2));
            let was_at_it = !setting.is_finished();
            // The disk answers, with an error.
            drop(fs::OpenOptions::new().read(true).open(&pipe));
            assert!(was_at_it && setting.join().unwrap().is_err(), "nothing hung");
            assert_eq!(answer, Ok((true, true)), "the old PIN holds until the new one is kept");
        });
    }
}
