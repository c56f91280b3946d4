//! Bytes to values and back. Pure: no ports, no files, no clocks.

pub mod json;
pub mod line;
