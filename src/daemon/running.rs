//! A program of the machine's own that runs for us, and is ended with us.

use std::process::Child;

/// Ends its program when dropped.
pub(super) struct Running(pub(super) Child);

impl Drop for Running {
    fn drop(&mut self) {
        if matches!(self.0.try_wait(), Ok(None)) {
            // It may end by itself in this moment; either way it is waited for.
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }
}
