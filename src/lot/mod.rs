//! A lot's folder: the record that can be shown to anyone.
//!
//! | file | duty |
//! | --- | --- |
//! | [`record`] | `lot.toml` as typed data |
//! | [`at`] | a moment as the files write it |
//! | [`id`] | ids by the dairy's pattern |
//! | [`correct`] | entering and correcting fields |
//! | `marks` | marks told late, corrected, struck |
//! | [`gather`], [`story`] | what the journal holds of a lot |
//! | [`findings`] | gaps and deviations |
//! | [`limits`] | the dairy's own limits against the trace |
//! | `instruments` | calibrations that held |
//! | [`csv`] | the trace for a spreadsheet |
//! | [`picture`], [`chart`], [`sheet`] | the curve and the make sheet |
//! | [`seal`] | sums and the chain |
//! | [`signature`] | a signature beside the seal |
//! | [`genealogy`], [`compare`], [`season`] | what several lots say together |
//! | [`export`] | handing lots over |
//! | [`store`] | where lots are kept; reading them |
//! | `verify` | whether a lot is as it was closed |
//! | `still` | reading one that may be sealed meanwhile |
//! | [`build`] | a lot's files, put in place and sealed |
//! | [`life`] | opened, closed, corrected, attached to |
//! | [`hold`], [`inbox`] | who may change what is stored, and asking them |
//!
//! Terms: a *stretch* is a time of one probe's journal that belongs to a lot; a
//! *seal* is the line in the chain that tells how a lot was when it was closed.
//!
//! Invariants: the journal is the one truth, a lot's files are drawn from it; a
//! closed lot changes only by a correction or a stretch that says who, when and
//! why, and gets a new seal beside the old; nothing is deleted here.

pub mod at;
pub mod build;
pub mod chart;
pub mod compare;
pub mod correct;
pub mod csv;
pub mod export;
pub mod findings;
pub mod gather;
pub mod genealogy;
pub mod hold;
pub mod id;
pub mod inbox;
mod instruments;
pub mod life;
pub mod limits;
mod marks;
pub mod picture;
pub mod record;
pub mod seal;
pub mod season;
pub mod sheet;
pub mod signature;
mod still;
pub mod store;
pub mod story;
mod verify;
