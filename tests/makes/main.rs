//! What is made of the readings: stages, forecast, calls.

mod alarm_discipline;
mod engine_properties;
mod makes_and_marks;
mod no_milk;
mod referee_kalman;
mod referee_makes;
mod rehearse;
mod replay_filter;
mod same_as_replay;
