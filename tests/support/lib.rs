//! What several tests stand on, compiled once. Not published; the tests only.
//!
//! | module | what |
//! | --- | --- |
//! | [`alarm_scene`] | scenes for the alarms |
//! | [`box_bench`] | a daemon with a box on a line, and its clock in the test's hand |
//! | [`broker`] | a real mosquitto on a free loopback port, with its own configuration and its own memory; and a small client to publish and to listen with |
//! | [`house`] | a daemon running in a thread of the test, or as a process of its own |
//! | [`journal_run`] | a run of the journal whose every line is known, for the tests that break it |
//! | [`lived`] | simulated makes through the real engine into the real journal and the real lots, as the daemon does it but for its threads and its clock |
//! | [`lot_command`] | `curdtrace lot` as a person calls it, in a folder of the test's own |
//! | [`made_day`] | an invented make at an invented hut, written into a journal as the daemon writes it |
//! | [`moody_disk`] | the real disk with moods |
//! | [`page_room`] | the real page before an invented kettle, on a loopback port, for tests |
//! | [`play`] | a simulated make played to a running daemon, its clock moved by hand, so that a morning passes in seconds |
//! | [`pty`] | a probe box at the other end of a pseudo-terminal |
//! | [`referee`] | the Python with the independent libraries that referee our figures |
//! | [`sealed_lot`] | a lot on the twin of the disk |
//! | [`storage_twin`] | a twin of the disk that crashes, tears and lies |
//! | [`wheel`] | the plan of a semi-cooked wheel, as small as it may be |

pub mod alarm_scene;
pub mod box_bench;
pub mod broker;
pub mod house;
pub mod journal_run;
pub mod lived;
pub mod lot_command;
pub mod made_day;
pub mod moody_disk;
pub mod page_room;
pub mod play;
pub mod pty;
pub mod referee;
pub mod sealed_lot;
pub mod storage_twin;
pub mod wheel;

use std::path::PathBuf;

/// The program under test, which cargo puts beside the folder of its tests.
#[must_use]
pub fn program() -> PathBuf {
    let test = std::env::current_exe().unwrap_or_default();
    let beside = test.parent().and_then(|deps| deps.parent()).unwrap_or(&test);
    beside.join(format!("curdtrace{}", std::env::consts::EXE_SUFFIX))
}
