//! What may be called only once for one occasion: a heating, a stage, a clock.

/// How far one such call has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Once {
    /// Not yet called for this occasion.
    #[default]
    Waiting,
    /// Called, and its cause still stands.
    Standing,
    /// Called, and over: not again for this occasion.
    Over,
}

impl Once {
    /// The condition to judge: `begins` before the call, `lasts` after it.
    pub(super) fn condition(self, begins: bool, lasts: bool) -> bool {
        match self {
            Self::Waiting => begins,
            Self::Standing => lasts,
            Self::Over => false,
        }
    }

    /// Takes in what came of judging: `called` now, its cause `stands`.
    pub(super) fn note(&mut self, called: bool, stands: bool) {
        *self = match (*self, called, stands) {
            (Self::Waiting, true, _) => Self::Standing,
            (Self::Standing, _, false) => Self::Over,
            (now, _, _) => now,
        };
    }

    /// What is left of it once another occasion was taken up in between: what was
    /// called is not called again.
    pub(super) fn resumed(self) -> Self {
        if self == Self::Standing { Self::Over } else { self }
    }

    /// Whether it was called for this occasion.
    pub(super) fn was_called(self) -> bool {
        self != Self::Waiting
    }
}
