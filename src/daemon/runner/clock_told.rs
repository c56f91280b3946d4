//! Whether the clock is sure, as the engine is told of it.

use super::{Came, Happening, Loop, RunError};

impl Loop {
    /// Tells where the clock is not what the engine was told of it. That it was
    /// set comes first: the moment must not be of the clock before.
    pub(super) fn judge_clock(&mut self) -> Result<(), RunError> {
        if self.trust.is_sure() == self.r.engine.was_told_clock_sure() {
            return Ok(());
        }
        self.arrived()?;
        self.tell_clock()
    }

    pub(super) fn tell_clock(&mut self) -> Result<(), RunError> {
        let sure = self.trust.is_sure();
        if sure == self.r.engine.was_told_clock_sure() {
            return Ok(());
        }
        self.step(Happening::Clock { sure }, Came::at(self.moment()), None)
    }
}
