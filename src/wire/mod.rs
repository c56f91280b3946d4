//! Bytes to values and back. Pure: no ports, no files, no clocks.

pub mod figure;
pub mod frame;
pub mod json;
pub mod line;
pub mod modbus;
pub mod name;
pub mod payload;
pub mod playback;
pub mod split;
pub mod topic;
