//! curdtrace reads the probe in the kettle, finds the stages of the make in
//! the trace, foresees where the cook will end and calls in time, and writes
//! each lot's record.
//!
//! Arrows point inward; `tests/architecture.rs` holds them:
//!
//! | module | duty | may use |
//! | --- | --- | --- |
//! | [`engine`] | what the readings mean; pure | std, libm |
//! | [`sensor`] | from what a sensor says to degrees; pure | engine's types |
//! | [`wire`] | bytes to values and back; pure | engine, sensor |
//! | [`words`] | the maker's language; pure | engine |
//! | [`config`] | files as typed, as checked, as meant | engine, sensor, wire, words |
//! | [`journal`] | nothing lost: the append-only record | engine, wire |
//! | [`lot`] | a lot's folder, sheet, seal | engine, sensor, wire, words, journal, config |
//! | [`rehearse`] | the simulated kettle, fire, maker and probe box | engine, sensor, wire, config |
//! | [`web`] | the page; sees a view and a command sender | engine's types, wire, words, lot, config |
//! | [`daemon`] | wiring and supervision | all of these |
//! | [`cli`] | one file a command | all of these |

// A test may read a clock (clippy.toml names the calls).
#![cfg_attr(not(test), deny(clippy::disallowed_methods))]

pub mod cli;
pub mod config;
pub mod daemon;
pub mod engine;
pub mod journal;
pub mod lot;
pub mod rehearse;
pub mod sensor;
pub mod web;
pub mod wire;
pub mod words;
