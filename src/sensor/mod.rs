//! From what a sensor says to degrees. Pure: no ports, no files, no clocks.

pub mod boiling;
pub mod fault;
pub mod raw;
pub mod resistance;
pub mod thermocouple;
pub mod unit;
pub mod word;
