//! How an alarm sounds: at the box, at the machine's speaker and on the page alike, so
//! that nobody learns two languages of beeps.

use crate::engine::alarm::AlarmKind;

/// One of three sounds that cannot be taken for one another, the gravest last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tune {
    /// Two rising bell strokes: come.
    Ready,
    /// A low rough falling drone: something is wrong.
    Fault,
    /// A fast high-low call: now.
    Now,
}

impl Tune {
    /// The sound of an alarm.
    ///
    /// ```
    /// use curdtrace::engine::alarm::AlarmKind;
    /// use curdtrace::words::tune::Tune;
    /// assert_eq!(Tune::of(AlarmKind::HeatOff), Tune::Now);
    /// ```
    pub fn of(alarm: AlarmKind) -> Self {
        use AlarmKind as A;
        match alarm {
            A::HeatOff | A::OverTarget | A::NearBoil | A::StirringStopped => Self::Now,
            A::GetReady | A::AtTarget | A::CurdCheck | A::HoldDone => Self::Ready,
            A::HeatSlow
            | A::HeatFast
            | A::MilkCold
            | A::MilkWarm
            | A::ProbeFault
            | A::ProbeSilent
            | A::StoreFault
            | A::ClockUnsure => Self::Fault,
        }
    }

    /// Its name on the page.
    pub fn name(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::Fault => "fault",
            Self::Now => "now",
        }
    }
}
