//! From what a sensor says to degrees. Pure: no ports, no files, no clocks.
//!
//! | file | duty |
//! | --- | --- |
//! | [`channel`] | the way of a raw value to a reading, all of it |
//! | [`raw`] | what a source says, before it is believed |
//! | [`fault`] | what can be wrong, each as what it is |
//! | [`thermocouple`] | ITS-90, both ways, and tolerance classes |
//! | [`resistance`] | platinum and thermistors |
//! | [`word`] | converter chips' words |
//! | [`unit`] | °C, °F, °R, K |
//! | [`boiling`] | where water boils |
//! | [`settle`] | whether a reading stands |
//! | [`calibration`] | points, correction, record |
//! | [`uncertainty`] | how far a number may be off |

pub mod boiling;
pub mod calibration;
pub mod channel;
pub mod fault;
pub mod raw;
pub mod resistance;
pub mod settle;
pub mod thermocouple;
pub mod uncertainty;
pub mod unit;
pub mod word;
