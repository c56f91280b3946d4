//! `steps`: see ../bodies.rs.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| curdtrace_fuzz::steps(data));
