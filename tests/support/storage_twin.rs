//! A twin of the disk that crashes, tears and lies. Everything is in memory.
//!
//! It keeps apart what a reader sees now and what would be there after a power
//! cut: bytes are durable after a good sync, names after a good sync of their
//! folder. A sync that fails loses the unsynced bytes for good, as Linux does:
//! a later sync of the file comes back well and the bytes are not there.

#![allow(clippy::unwrap_used)] // a test may end here

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, ErrorKind};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};

use curdtrace::journal::storage::{Kind, Sink, Storage};

/// A fault of one call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// EIO.
    Io,
    /// ENOSPC.
    Full,
    /// EINTR.
    Interrupted,
    /// Half of a write arrives and the call says so; other calls are well.
    Short,
    /// A write fails after half of it arrived.
    Torn,
}

#[derive(Debug, Clone, Default)]
struct Node {
    durable: Vec<u8>,
    now: Vec<u8>,
    lost: Vec<Range<usize>>,
}

/// What a power cut can leave of one file that was not wholly synced.
#[derive(Debug, Clone)]
pub struct Unsynced {
    pub file: PathBuf,
    pub durable: Vec<u8>,
    pub now: Vec<u8>,
}

/// The disk at one moment, as far as it matters to a power cut.
#[derive(Debug, Clone, Default)]
pub struct Moment {
    /// Files whose name and bytes are durable.
    pub durable: BTreeMap<PathBuf, Vec<u8>>,
    /// Files as a reader sees them.
    pub now: BTreeMap<PathBuf, Vec<u8>>,
}

#[derive(Debug, Default)]
struct State {
    nodes: Vec<Node>,
    names: BTreeMap<PathBuf, usize>,
    durable_names: BTreeMap<PathBuf, usize>,
    dirs: BTreeSet<PathBuf>,
    calls: u64,
    faults: BTreeMap<u64, Fault>,
    /// The process is dead from this call on: none of its calls is carried out.
    dies_at: Option<u64>,
    sync_faults: u32,
    syncs_per_file: BTreeMap<usize, u32>,
    failed_then_synced: bool,
    budget: Option<usize>,
    watch: bool,
    moments: Vec<Moment>,
}

/// The twin. Clones are the same disk.
#[derive(Debug, Clone, Default)]
pub struct Twin(Arc<Mutex<State>>);

impl Twin {
    pub fn new() -> Self {
        Self::default()
    }

    /// A disk with these files, all durable.
    pub fn of(files: &BTreeMap<PathBuf, Vec<u8>>) -> Self {
        let twin = Self::default();
        {
            let mut s = twin.state();
            for (path, bytes) in files {
                let node = Node { durable: bytes.clone(), now: bytes.clone(), lost: vec![] };
                s.nodes.push(node);
                let id = s.nodes.len() - 1;
                s.names.insert(path.clone(), id);
                s.durable_names.insert(path.clone(), id);
                for dir in path.ancestors().skip(1) {
                    s.dirs.insert(dir.into());
                }
            }
        }
        twin
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    /// Lets the nth call from now fail (1 is the next).
    pub fn fail_call(&self, n: u64, fault: Fault) {
        let mut s = self.state();
        let at = s.calls + n;
        s.faults.insert(at, fault);
    }

    /// Lets the process die at the nth call from now: neither that call nor any
    /// after it is carried out.
    pub fn die_at_call(&self, n: u64) {
        let mut s = self.state();
        s.dies_at = Some(s.calls + n);
    }

    /// Whether the process has not died yet.
    pub fn lives(&self) -> bool {
        let s = self.state();
        s.dies_at.is_none_or(|at| at > s.calls)
    }

    /// Lets the next `n` syncs fail, losing what they should have kept.
    pub fn fail_syncs(&self, n: u32) {
        self.state().sync_faults = n;
    }

    /// Whether all faults laid have happened.
    pub fn faults_left(&self) -> bool {
        let s = self.state();
        s.faults.keys().any(|at| *at > s.calls)
    }

    /// Calls so far.
    pub fn calls(&self) -> u64 {
        self.state().calls
    }

    /// Whether a file was synced again after a sync of it had failed.
    pub fn retried_a_failed_sync(&self) -> bool {
        self.state().failed_then_synced
    }

    /// How many bytes the disk can still take; `None` is endless.
    pub fn set_budget(&self, bytes: Option<usize>) {
        self.state().budget = bytes;
    }

    /// Keeps a [`Moment`] at every sync from now on.
    pub fn watch(&self) {
        self.state().watch = true;
    }

    /// The moments kept since the last call.
    pub fn take_moments(&self) -> Vec<Moment> {
        std::mem::take(&mut self.state().moments)
    }

    /// The disk now.
    pub fn moment(&self) -> Moment {
        self.state().moment()
    }

    /// The files as a reader sees them.
    pub fn files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        self.moment().now
    }
}

impl Moment {
    /// Files that a power cut may leave in part.
    pub fn unsynced(&self) -> Vec<Unsynced> {
        self.now
            .iter()
            .filter(|(path, now)| self.durable.get(*path) != Some(now))
            .map(|(file, now)| Unsynced {
                file: file.clone(),
                durable: self.durable.get(file).cloned().unwrap_or_default(),
                now: now.clone(),
            })
            .collect()
    }
}

impl State {
    fn moment(&self) -> Moment {
        let durable = self.durable_names.iter().map(|(p, id)| (p.clone(), self.nodes[*id].durable.clone()));
        let now = self.names.iter().map(|(p, id)| (p.clone(), self.nodes[*id].now.clone()));
        Moment { durable: durable.collect(), now: now.collect() }
    }

    fn call(&mut self) -> io::Result<Option<Fault>> {
        self.calls += 1;
        if self.dies_at.is_some_and(|at| self.calls >= at) {
            return Err(io::Error::from_raw_os_error(5));
        }
        match self.faults.get(&self.calls) {
            Some(Fault::Io) => Err(io::Error::from_raw_os_error(5)),
            Some(Fault::Full) => Err(io::Error::from_raw_os_error(28)),
            Some(Fault::Interrupted) => Err(io::Error::from_raw_os_error(4)),
            soft => Ok(soft.copied()),
        }
    }

    fn id(&self, file: &Path) -> io::Result<usize> {
        self.names.get(file).copied().ok_or_else(|| ErrorKind::NotFound.into())
    }

    fn keep_moment(&mut self) {
        if self.watch {
            let m = self.moment();
            self.moments.push(m);
        }
    }
}

#[derive(Debug)]
struct TwinSink {
    disk: Twin,
    id: usize,
}

impl Sink for TwinSink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut s = self.disk.state();
        let fault = s.call()?;
        let mut n = bytes.len();
        if matches!(fault, Some(Fault::Short | Fault::Torn)) {
            n = n.div_ceil(2);
        }
        if let Some(left) = s.budget {
            if left == 0 {
                return Err(io::Error::from_raw_os_error(28));
            }
            n = n.min(left);
            s.budget = Some(left - n);
        }
        let id = self.id;
        s.nodes[id].now.extend_from_slice(&bytes[..n]);
        if fault == Some(Fault::Torn) { Err(io::Error::from_raw_os_error(5)) } else { Ok(n) }
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut s = self.disk.state();
        s.keep_moment();
        let hard = s.call();
        let id = self.id;
        if s.syncs_per_file.get(&id).is_some_and(|failed| *failed > 0) {
            s.failed_then_synced = true;
        }
        let forced = s.sync_faults > 0;
        if forced || hard.is_err() {
            s.sync_faults = s.sync_faults.saturating_sub(u32::from(forced));
            *s.syncs_per_file.entry(id).or_default() += 1;
            let node = &mut s.nodes[id];
            let (from, to) = (node.durable.len().min(node.now.len()), node.now.len());
            node.lost.push(from..to);
            hard?;
            return Err(io::Error::from_raw_os_error(5));
        }
        let node = &mut s.nodes[id];
        node.durable = node.now.clone();
        for r in &node.lost {
            let end = r.end.min(node.durable.len());
            node.durable[r.start.min(end)..end].fill(0);
        }
        Ok(())
    }
}

impl Storage for Twin {
    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        let mut s = self.state();
        s.call()?;
        let files = s.names.keys().map(PathBuf::as_path).chain(s.dirs.iter().map(PathBuf::as_path));
        let mut names: Vec<String> = files
            .filter(|p| p.parent() == Some(dir))
            .map(|p| p.file_name().unwrap().to_string_lossy().into_owned())
            .collect();
        names.sort();
        Ok(names)
    }

    fn kind(&self, path: &Path) -> io::Result<Kind> {
        let mut s = self.state();
        s.call()?;
        if s.names.contains_key(path) {
            Ok(Kind::File)
        } else if s.dirs.contains(path) {
            Ok(Kind::Folder)
        } else {
            Err(ErrorKind::NotFound.into())
        }
    }

    fn len(&self, file: &Path) -> io::Result<u64> {
        let mut s = self.state();
        s.call()?;
        Ok(s.nodes[s.id(file)?].now.len() as u64)
    }

    fn read_at(&self, file: &Path, offset: u64, len: usize) -> io::Result<Vec<u8>> {
        let mut s = self.state();
        s.call()?;
        let data = &s.nodes[s.id(file)?].now;
        let from = (offset as usize).min(data.len());
        Ok(data[from..(from + len).min(data.len())].to_vec())
    }

    fn create(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        let mut s = self.state();
        s.call()?;
        if s.names.contains_key(file) {
            return Err(ErrorKind::AlreadyExists.into());
        }
        s.nodes.push(Node::default());
        let id = s.nodes.len() - 1;
        s.names.insert(file.into(), id);
        Ok(Box::new(TwinSink { disk: self.clone(), id }))
    }

    fn append(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        let mut s = self.state();
        s.call()?;
        let id = s.id(file)?;
        Ok(Box::new(TwinSink { disk: self.clone(), id }))
    }

    fn cut(&self, file: &Path, len: u64) -> io::Result<()> {
        let mut s = self.state();
        s.call()?;
        let id = s.id(file)?;
        let node = &mut s.nodes[id];
        node.now.truncate(len as usize);
        node.durable = node.now.clone();
        node.lost.retain(|r| r.start < len as usize);
        Ok(())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.call()?;
        let id = s.id(from)?;
        s.names.remove(from);
        s.names.insert(to.into(), id);
        Ok(())
    }

    fn remove(&self, file: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.call()?;
        s.id(file)?;
        s.names.remove(file);
        Ok(())
    }

    fn make_dir(&self, dir: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.call()?;
        for above in dir.ancestors() {
            s.dirs.insert(above.into());
        }
        Ok(())
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        let mut s = self.state();
        s.keep_moment();
        s.call()?;
        if s.sync_faults > 0 {
            s.sync_faults -= 1;
            return Err(io::Error::from_raw_os_error(5));
        }
        let here = |p: &PathBuf| p.parent() == Some(dir);
        s.durable_names.retain(|p, _| !here(p));
        let now: Vec<_> = s.names.iter().filter(|(p, _)| here(p)).map(|(p, id)| (p.clone(), *id)).collect();
        s.durable_names.extend(now);
        Ok(())
    }

    fn free_share(&self, _dir: &Path) -> io::Result<f64> {
        let mut s = self.state();
        s.call()?;
        Ok(s.budget.map_or(1.0, |b| b as f64 / 100_000.0))
    }
}
