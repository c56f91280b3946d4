//! The one door to the disk, for the journal and the lots alike.
//!
//! Everything that must outlive a power cut goes through [`Storage`]; tests
//! put a twin in its place that crashes, tears and lies. Terms: a file is
//! *durable* once [`Sink::sync`] came back well, its name once
//! [`Storage::sync_dir`] of its folder did. A sync that failed tells nothing
//! about the bytes: it is never repeated on the same file as if nothing had
//! been lost; the callers write anew elsewhere.
//!
//! Deliberately absent: buffering, retries and any notion of what the bytes
//! mean.

use std::fmt::Debug;
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read as _, Seek as _, SeekFrom, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _, fchown, lchown};
use std::path::{Path, PathBuf};

use rustix::fs::OFlags;

/// A file being written at its end.
pub trait Sink: Send + Debug {
    /// Writes some of `bytes`, at least one; how many.
    ///
    /// # Errors
    /// Whatever the disk says; nothing is known of how much arrived.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// Makes everything written so far durable.
    ///
    /// # Errors
    /// Whatever the disk says; the bytes since the last good sync may be lost
    /// although a later sync "succeeds".
    fn sync(&mut self) -> io::Result<()>;

    /// Writes all of `bytes`; an interrupted call is made again, a short
    /// write goes on where it stopped.
    ///
    /// # Errors
    /// As [`Sink::write`]; a write of nothing counts as `WriteZero`.
    fn write_whole(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            match self.write(bytes) {
                Ok(0) => return Err(ErrorKind::WriteZero.into()),
                Ok(n) => bytes = &bytes[n.min(bytes.len())..],
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }
}

/// What lies under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A plain file.
    File,
    /// A folder.
    Folder,
    /// A link, a pipe, a device: nothing that holds its bytes there.
    Other,
}

/// Where [`Storage::replace`] writes before it renames. A process that dies in
/// between leaves it there.
pub fn aside(file: &Path) -> PathBuf {
    let name = file.file_name().map_or_else(|| "file".into(), |n| n.to_string_lossy());
    file.with_file_name(format!(".{name}.new"))
}

/// What a disk can do for us. Paths are whole paths.
pub trait Storage: Send + Sync + Debug {
    /// The names in a folder, sorted; a folder that is not there has none.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn list(&self, dir: &Path) -> io::Result<Vec<String>>;
    /// What lies under a name itself; a link is not followed.
    ///
    /// # Errors
    /// `NotFound` where there is nothing, else what the disk says.
    fn kind(&self, path: &Path) -> io::Result<Kind>;
    /// A file's length in bytes.
    ///
    /// # Errors
    /// `NotFound` where there is none, else what the disk says.
    fn len(&self, file: &Path) -> io::Result<u64>;
    /// At most `len` bytes from `offset`; fewer only at the end. What is no
    /// file, such as a pipe, is refused and never waited for.
    ///
    /// # Errors
    /// `NotFound` where there is none, else what the disk says.
    fn read_at(&self, file: &Path, offset: u64, len: usize) -> io::Result<Vec<u8>>;
    /// A new file; it must not be there yet.
    ///
    /// # Errors
    /// `AlreadyExists`, else what the disk says.
    fn create(&self, file: &Path) -> io::Result<Box<dyn Sink>>;
    /// An existing file, to write on at its end.
    ///
    /// # Errors
    /// `NotFound` where there is none, else what the disk says.
    fn append(&self, file: &Path) -> io::Result<Box<dyn Sink>>;
    /// Cuts a file to `len` bytes, durably.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn cut(&self, file: &Path, len: u64) -> io::Result<()>;
    /// Renames a file over another; durable once the folder is synced.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file; durable once the folder is synced.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn remove(&self, file: &Path) -> io::Result<()>;
    /// Makes a folder and those above it, durably; one that exists is well.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn make_dir(&self, dir: &Path) -> io::Result<()>;
    /// Makes the names in a folder durable.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;
    /// How much of the disk is free, 0 to 1.
    ///
    /// # Errors
    /// Whatever the disk says.
    fn free_share(&self, dir: &Path) -> io::Result<f64>;

    /// A whole file.
    ///
    /// # Errors
    /// `NotFound` where there is none, else what the disk says.
    fn read(&self, file: &Path) -> io::Result<Vec<u8>> {
        let len = usize::try_from(self.len(file)?).map_err(|_| io::Error::from(ErrorKind::FileTooLarge))?;
        self.read_at(file, 0, len)
    }

    /// A whole file's text.
    ///
    /// # Errors
    /// As [`Storage::read`]; `InvalidData` where it is no UTF-8.
    fn read_text(&self, file: &Path) -> io::Result<String> {
        String::from_utf8(self.read(file)?).map_err(|e| io::Error::new(ErrorKind::InvalidData, e))
    }

    /// Whether there is such a file. A disk that cannot say is no "no".
    ///
    /// # Errors
    /// Whatever the disk says, but that there is none.
    fn has(&self, file: &Path) -> io::Result<bool> {
        match self.len(file) {
            Ok(_) => Ok(true),
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(false),
            Err(e) => Err(e),
        }
    }

    /// Removes a file that may be there; whether it was. Durable once the
    /// folder is synced.
    ///
    /// # Errors
    /// Whatever the disk says, but for `NotFound`.
    fn remove_if_there(&self, file: &Path) -> io::Result<bool> {
        match self.remove(file) {
            Ok(()) => Ok(true),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(false),
            Err(e) => Err(e),
        }
    }

    /// Puts `bytes` in place of a file so that at any moment either the old or
    /// the new one is there, whole: written aside, synced, renamed, the folder
    /// synced.
    ///
    /// # Errors
    /// Whatever the disk says; the old file is then still there, or the new
    /// one is, but its name may not outlive a power cut.
    fn replace(&self, file: &Path, bytes: &[u8]) -> io::Result<()> {
        let dir = file.parent().ok_or_else(|| io::Error::from(ErrorKind::InvalidInput))?;
        let aside = aside(file);
        self.remove_if_there(&aside)?;
        let mut sink = self.create(&aside)?;
        let written = sink.write_whole(bytes).and_then(|()| sink.sync());
        drop(sink);
        if let Err(e) = written {
            // Best effort: a leftover is overwritten by the next try.
            let _ = self.remove(&aside);
            return Err(e);
        }
        self.rename(&aside, file)?;
        self.sync_dir(dir)
    }
}

/// Gives what root made to the owner of the folder it was made in: a command under
/// `sudo` leaves nothing that the daemon, under its own user, cannot write on. Where the
/// disk knows no owners there is nothing to give.
pub(crate) fn given_over(made: &Path, to: impl FnOnce(Option<u32>, Option<u32>) -> io::Result<()>) {
    if !rustix::process::geteuid().is_root() {
        return;
    }
    let above = made.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if let Ok(folder) = fs::metadata(above)
        && folder.uid() != 0
    {
        let _ = to(Some(folder.uid()), Some(folder.gid()));
    }
}

/// The real disk.
///
/// ```
/// use curdtrace::journal::storage::{Disk, Storage as _};
/// let dir = tempfile::tempdir().unwrap();
/// let file = dir.path().join("a.txt");
/// Disk.replace(&file, b"whole or not at all").unwrap();
/// assert_eq!(Disk.read(&file).unwrap(), b"whole or not at all");
/// ```
#[derive(Debug, Clone, Copy, Default)]
pub struct Disk;

impl Sink for File {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        io::Write::write(self, bytes)
    }
    fn sync(&mut self) -> io::Result<()> {
        self.flush()?;
        self.sync_all()
    }
}

impl Storage for Disk {
    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        let entries = match fs::read_dir(dir) {
            Ok(entries) => entries,
            Err(e) if e.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(e),
        };
        let mut names = Vec::new();
        for entry in entries {
            names.push(entry?.file_name().to_string_lossy().into_owned());
        }
        names.sort_unstable();
        Ok(names)
    }

    fn kind(&self, path: &Path) -> io::Result<Kind> {
        let kind = fs::symlink_metadata(path)?.file_type();
        Ok(match (kind.is_file(), kind.is_dir()) {
            (true, _) => Kind::File,
            (_, true) => Kind::Folder,
            _ => Kind::Other,
        })
    }

    fn len(&self, file: &Path) -> io::Result<u64> {
        Ok(fs::metadata(file)?.len())
    }

    fn read_at(&self, file: &Path, offset: u64, len: usize) -> io::Result<Vec<u8>> {
        // A pipe that nobody writes to would be waited for at the opening.
        let nonblock = OFlags::NONBLOCK.bits().cast_signed();
        let mut f = OpenOptions::new().read(true).custom_flags(nonblock).open(file)?;
        if !f.metadata()?.is_file() {
            return Err(io::Error::new(ErrorKind::InvalidInput, "it is not a plain file"));
        }
        if offset > 0 {
            f.seek(SeekFrom::Start(offset))?;
        }
        let mut bytes = Vec::with_capacity(len);
        f.take(len as u64).read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    fn create(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        let made = OpenOptions::new().append(true).create_new(true).open(file)?;
        given_over(file, |uid, gid| fchown(&made, uid, gid));
        Ok(Box::new(made))
    }

    fn append(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        Ok(Box::new(OpenOptions::new().append(true).open(file)?))
    }

    fn cut(&self, file: &Path, len: u64) -> io::Result<()> {
        let f = OpenOptions::new().write(true).open(file)?;
        f.set_len(len)?;
        f.sync_all()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, file: &Path) -> io::Result<()> {
        fs::remove_file(file)
    }

    fn make_dir(&self, dir: &Path) -> io::Result<()> {
        if dir.as_os_str().is_empty() || dir.is_dir() {
            return Ok(());
        }
        if let Some(above) = dir.parent() {
            self.make_dir(above)?;
        }
        match fs::create_dir(dir) {
            // Not through a link that somebody put in its place meanwhile.
            Ok(()) => given_over(dir, |uid, gid| lchown(dir, uid, gid)),
            Err(e) if e.kind() == ErrorKind::AlreadyExists => {}
            Err(e) => return Err(e),
        }
        match dir.parent() {
            Some(above) if !above.as_os_str().is_empty() => self.sync_dir(above),
            _ => self.sync_dir(Path::new(".")),
        }
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        File::open(dir)?.sync_all()
    }

    fn free_share(&self, dir: &Path) -> io::Result<f64> {
        let s = rustix::fs::statvfs(dir)?;
        if s.f_blocks == 0 { Ok(0.0) } else { Ok(s.f_bavail as f64 / s.f_blocks as f64) }
    }
}
