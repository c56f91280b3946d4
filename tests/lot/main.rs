//! What is written of a make: a lot's life, its seal, its sheet, what is handed over.

mod came_late;
mod changed_plan;
mod commands;
mod export;
mod goes_on;
mod life;
mod mark_before_stop;
mod marks_late;
mod neighbours;
mod opened_in_1970;
mod out_of_range;
mod refusals;
mod seal;
mod seal_cut_short;
mod sheet_speaks;
mod sheet_whole;
mod signature;
mod stays_its_own;
mod typed;
mod verify_odd;
