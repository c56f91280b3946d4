//! The daemon in its house: configuration, clock, service, page, outlets, words.

mod api_contract;
mod clock_steps;
mod clock_unsure;
mod config_doubts;
mod config_faults;
mod http_abuse;
mod page_address;
mod slow_outlet;
mod spoken_alerts;
mod standard_streams;
mod standing_orders;
mod unit_file;
mod words;
