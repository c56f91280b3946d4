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

    /// Takes in whether the alarm's cause stands after judging.
    pub(super) fn note(&mut self, raised: bool) {
        *self = match (*self, raised) {
            (Self::Waiting, true) => Self::Standing,
            (Self::Standing, false) => Self::Over,
            (now, _) => now,
        };
    }

    /// Whether it was called for this occasion.
    pub(super) fn was_called(self) -> bool {
        self != Self::Waiting
    }
}
