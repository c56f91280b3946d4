//! What a command can ask of whoever may change what is stored, and what it hears.

use serde::{Deserialize, Serialize};

use crate::engine::event::MarkKind;
use crate::lot::at::At;
use crate::lot::record::{Mark, Milking, Ph, Wheel};
use crate::wire::line::{LineError, mark_kind};

/// What is asked, by whom and when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Request {
    /// When it was asked.
    pub at: At,
    /// Who asks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// What for.
    pub ask: Ask,
}

/// What can be asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ask {
    /// Open a lot.
    Open(Opening),
    /// Mark a moment. The owner hands it to the engine and the journal; the
    /// lots learn of it from there.
    Mark(MarkAsk),
    /// Close and seal a lot.
    Close {
        /// Which.
        lot: String,
    },
    /// Enter or correct fields.
    Set {
        /// Which lot.
        lot: String,
        /// Field and value, in order.
        fields: Vec<(String, String)>,
        /// Why, where it is a correction.
        reason: Option<String>,
    },
    /// A milking went in.
    Milking {
        /// Which lot.
        lot: String,
        /// The milking.
        milking: Milking,
    },
    /// Wheels came out.
    Wheels {
        /// Which lot.
        lot: String,
        /// The wheels.
        wheels: Vec<Wheel>,
    },
    /// A pH was read.
    Ph {
        /// Which lot.
        lot: String,
        /// The value.
        ph: Ph,
    },
    /// A moment that is past is marked: in the lot's record only, the engine does
    /// not learn of it.
    MarkLate {
        /// Which lot.
        lot: String,
        /// The mark, with when it was told.
        mark: Mark,
    },
    /// Give a lot a stretch of a probe's journal.
    Attach(AttachAsk),
    /// Sign a lot that is sealed.
    Sign {
        /// Which.
        lot: String,
    },
}

/// What a new lot is.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Opening {
    /// The kettle.
    pub kettle: String,
    /// The id wanted; else by the dairy's pattern.
    pub id: Option<String>,
    /// The plan's TOML text.
    pub plan: Option<String>,
    /// The lot whose whey it is made of.
    pub mother: Option<String>,
    /// When its make began, where that was not now.
    pub made: Option<At>,
    /// The make is over: nothing is recorded into it by itself, its trace is
    /// attached afterwards.
    pub past: bool,
    /// Fields to enter at once.
    pub fields: Vec<(String, String)>,
}

/// A mark.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct MarkAsk {
    /// The kettle.
    pub kettle: String,
    /// The mark's name.
    pub name: String,
    /// Its value: a pH, or °C of a target.
    pub value: Option<f64>,
    /// A note's words.
    pub text: Option<String>,
    /// The lot that was meant, where one was named: in no other is it marked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
}

impl MarkAsk {
    /// What is marked: its value is a pH or a target as its name says.
    ///
    /// # Errors
    /// A name that is none, or a value that is missing or out of range.
    pub fn kind(&self) -> Result<MarkKind, LineError> {
        mark_kind(&self.name, self.value, self.value, self.text.clone())
    }
}

/// A stretch to attach.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct AttachAsk {
    /// The lot.
    pub lot: String,
    /// The probe.
    pub probe: String,
    /// From.
    pub from: At,
    /// Up to, not included.
    pub to: At,
}

/// What became of a request.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Answer {
    /// 0, or the exit code of what failed.
    pub code: u8,
    /// What to tell the person.
    pub text: String,
    /// The lot it was about.
    pub lot: Option<String>,
}
