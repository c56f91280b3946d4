//! What was acknowledged stays: the journal under power cuts, kills, flipped bits and wrong clocks.

mod bit_rot;
mod clock;
mod crash_images;
mod disk_trouble;
mod holes;
mod kept_formats;
mod kept_readings;
mod kill_nine;
mod late_readings;
mod nth_fault;
mod packed_days;
mod recent_past;
mod synced_for_real;
mod torn_tail;
