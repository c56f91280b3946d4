//! Wiring and supervision: sources in, outlets out, one engine between.
//!
//! | file | duty |
//! | --- | --- |
//! | [`clock`] | the only reader of clocks: real, scaled, or moved by hand |
//! | [`trust`] | whether the wall clock is to be believed |
//! | [`input`] | what reaches the runner, and the receipt that it is kept |
//! | [`late`] | readings that come long after they were taken |
//! | [`intake`] | what came in from outside as journal lines, and back |
//! | [`runner`] | the one task that owns the engine; [`admission`] whose readings it takes in |
//! | [`recorder`] | the one thread that owns the journal |
//! | [`store_watch`] | whether the record is kept, as the runner sees it: a disk that hangs says nothing |
//! | [`resume`] | the recent past through the engine after a restart |
//! | [`standing`] | what persons ordered that holds until they say otherwise |
//! | [`terminal`] | alarms in plain words where the daemon runs |
//! | [`source`] | what every source shares |
//! | [`serial`] | a serial port, kept open; [`line_reader`] its bytes, [`heard`] which frames came before, [`gibberish`] bytes that are no readings, [`sounding`] what the box should sound |
//! | `modbus` | a line of industrial transmitters, asked in turn |
//! | [`mqtt`] | a broker: readings in; [`mqtt_out`] what goes out |
//! | [`channels`] | every probe's conversion, correction and calibration |
//! | [`calibrations`] | calibrations on disk |
//! | [`file_name`] | a name from outside as a file's name |
//! | [`kettle_files`] | what was learned of each kettle on disk |
//! | `damaged` | files of ours that cannot be read are put aside |
//! | [`listen`] | the sources without the daemon, for who looks at one probe |
//! | [`notify`] | word to the supervisor: ready, alive, stopping |
//! | [`log`] | what is said to whom; [`aside`] on standard error, without waiting |
//! | [`alerts`] | outlets for alarms; [`alert_watch`] when each calls, [`alert_http`], [`alert_command`], [`alert_sound`] how |
//! | [`page`] | the page as an outlet |
//! | [`free_space`] | how much room the disk has left |
//! | [`lot_desk`] | the lots, as the record thread keeps them |
//! | [`ssh_keygen`] | signing lots and checking signatures, by OpenSSH's program |
//! | [`outlet`] | the seam for everything that shows, sounds or publishes |
//!
//! Terms: a *source* brings readings, an *outlet* shows what follows from
//! them, a *receipt* is called when a reading's group is synced.
//!
//! Invariants: one task owns the engine, one thread owns the disk, so alarms
//! never wait for it; nothing is acknowledged before it is synced; a task that
//! dies ends the process, and the supervisor starts it again.

pub mod admission;
pub mod alert_command;
pub mod alert_http;
pub mod alert_sound;
pub mod alert_watch;
pub mod alerts;
pub mod aside;
mod audit;
pub mod calibrations;
pub mod channels;
pub mod clock;
mod damaged;
pub mod file_name;
pub mod free_space;
pub mod gibberish;
pub mod heard;
pub mod input;
pub mod intake;
pub mod kettle_files;
pub mod late;
pub mod line_reader;
pub mod listen;
pub mod log;
pub mod lot_desk;
pub mod modbus;
pub mod mqtt;
pub mod mqtt_out;
pub mod notify;
pub mod outlet;
pub mod own_clock;
pub mod page;
pub mod recorder;
pub mod resume;
pub mod runner;
mod running;
pub mod serial;
pub mod sounding;
pub mod source;
mod sources;
pub mod ssh_keygen;
pub mod standing;
mod start;
pub mod store_watch;
pub mod terminal;
pub mod trust;

pub use start::{Daemon, DaemonError, Setup, run};
