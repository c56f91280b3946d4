//! Configuration: files as typed, as checked, as meant.
//!
//! | file | duty |
//! | --- | --- |
//! | [`file`] | TOML text as a tree that knows its lines |
//! | [`check`] | one section of it, read key by key; every fault is collected, none stops the reading |
//! | [`dairy`] | the daemon's own configuration as meant |
//! | [`source`] | its sources: serial ports, brokers, probes |
//! | [`modbus`] | industrial transmitters |
//! | [`sensor`] | what a probe is and how its calibration holds |
//! | `second_look` | what only `check` looks at |
//! | [`credentials`] | a broker's user and password |
//! | [`plan`] | a plan as meant, and back to text |
//! | [`shown`] | where it is shown and who is called: the page, outlets |
//! | [`signing`] | whose key signs the lots |
//! | [`kettle`] | what was learned of a kettle |
//! | [`whole_file`] | a file put whole in another's place |
//!
//! Terms: a *fault* is one thing wrong in a file, with its line and its
//! remedy; a *section* is one TOML table.
//!
//! Invariants: whoever gets a value from here need not check it again; every
//! key is either read or named as unknown; nothing here opens a device.
//!
//! Deliberately absent: reading into structs by derive. It stops at the first
//! fault, and a maker who mends one line at a time loses his morning.

pub mod check;
pub mod credentials;
pub mod dairy;
pub mod fault;
pub mod file;
pub mod kettle;
pub mod modbus;
pub mod plan;
mod second_look;
pub mod sensor;
pub mod shown;
pub mod signing;
pub mod source;
pub mod whole_file;

pub use fault::Fault;
