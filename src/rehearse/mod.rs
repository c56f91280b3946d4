//! A whole make without hardware: simulated kettle, fire, maker and probe box.
//!
//! Terms: a [`scene::Scene`] is a make that unfolds half a second at a time
//! and hears calls; a [`make::Make`] is a whole one at once. One seed, one
//! make. The world's truth never reaches the engine.

pub mod chance;
pub mod dump;
pub mod family;
pub mod fire;
pub mod frames;
pub mod kettle;
pub mod make;
pub mod maker;
pub mod probe;
pub mod scene;
pub mod script;
pub mod trial;
pub mod truth;
pub mod world;
