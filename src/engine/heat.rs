//! The kettle: coast, forecast, and what is learned.

/// What has been learned of one kettle. Plain data; `config` reads and writes
/// it as the kettle file.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// How many makes taught it.
    pub makes: u32,
    /// Coast per rate: minutes of the running ramp still to come after the
    /// heat is off, middle value (°C of coast ÷ °C/min), seconds.
    pub coast_s: f64,
    /// How sure that is: one standard deviation, seconds.
    pub coast_sd_s: f64,
}
