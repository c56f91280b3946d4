//! Trials: how well stages are found and cooks are called, on many makes.
//!
//! *Open loop*: whole makes through the engine, boundaries held against the
//! truth. *Closed loop*: a maker who takes the kettle off when called, a
//! reaction late. *Idle months*: temperatures that are no make at all. For
//! maintainers; the figures in the README come from here.

pub mod closed;
pub mod heard;
pub mod months;
pub mod open;
pub mod table;
pub mod triples;
