//! The line between the simulated box and the daemon: a pseudo-terminal.

use std::ffi::OsString;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStringExt as _;
use std::path::{Path, PathBuf};

use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use rustix::io::Errno;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

use crate::wire::frame::{Frame, FrameDecoder};

/// The box's end.
#[derive(Debug)]
pub struct BoxLine {
    master: OwnedFd,
    device: PathBuf,
    heard: FrameDecoder,
}

impl BoxLine {
    /// A new line.
    ///
    /// # Errors
    /// The system has none to give.
    pub fn open() -> io::Result<Self> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let device = PathBuf::from(OsString::from_vec(name.into_bytes()));
        fcntl_setfl(&master, fcntl_getfl(&master)? | OFlags::NONBLOCK)?;
        Ok(Self { master, device, heard: FrameDecoder::default() })
    }

    /// The device that the daemon opens.
    pub fn device(&self) -> &Path {
        &self.device
    }

    /// Sends what fits; how many bytes that were.
    ///
    /// # Errors
    /// The line is gone.
    pub fn send(&self, bytes: &[u8]) -> io::Result<usize> {
        match rustix::io::write(&self.master, bytes) {
            Ok(n) => Ok(n),
            Err(Errno::AGAIN | Errno::INTR) => Ok(0),
            Err(e) => Err(e.into()),
        }
    }

    /// What the daemon said since the last look. A real box would sound its
    /// buzzer by it.
    pub fn hear(&mut self) -> Vec<Frame> {
        let mut frames = Vec::new();
        let mut bytes = [0_u8; 1024];
        // Nothing to read, and nobody at the other end, are the same to a box.
        while let Ok(n) = rustix::io::read(&self.master, &mut bytes) {
            if n == 0 {
                break;
            }
            frames.extend(self.heard.push(&bytes[..n]).into_iter().flatten());
        }
        frames
    }
}
