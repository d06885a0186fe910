//! `[feeder.daily]`: a load that comes and goes once a day, and what wanders from minute to minute.

use serde::Deserialize;
use toml::Spanned;

use super::check::Source;
use super::error::Error;

/// How the feeder's voltages go through the day. The load goes as a cosine from 0 to 1 and back in 24 hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Daily {
    /// Hour of the day, UTC, at which the load is heaviest.
    pub peak_utc_h: f64,
    /// At the heaviest load the positive sequence is lower by this, in percent of itself.
    pub v1_drop_percent: f64,
    /// At the heaviest load the negative sequence is this many percent of the positive larger.
    pub u2_rise_percent: f64,
    /// The same of the zero sequence.
    pub u0_rise_percent: f64,
    /// At the heaviest load each harmonic is larger by this, in percent of itself.
    pub harmonics_rise_percent: f64,
    /// Standard deviation of each phase's own wandering, in percent.
    pub wander_percent: f64,
}

impl Daily {
    /// The load at this second of the day, UTC: 0…1.
    pub fn load(&self, second_of_day: f64) -> f64 {
        let turn = core::f64::consts::TAU * (second_of_day / 3600.0 - self.peak_utc_h) / 24.0;
        0.5 + 0.5 * libm::cos(turn)
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DailyTable {
    peak_utc_h: Spanned<f64>,
    v1_drop_percent: Option<Spanned<f64>>,
    u2_rise_percent: Option<Spanned<f64>>,
    u0_rise_percent: Option<Spanned<f64>>,
    harmonics_rise_percent: Option<Spanned<f64>>,
    wander_percent: Option<Spanned<f64>>,
}

impl DailyTable {
    pub fn check(&self, source: &Source) -> Result<Daily, Error> {
        let percent = |name: &str, value: &Option<Spanned<f64>>, low, high| {
            source.number_or(name, value.as_ref(), 0.0, low..=high, "%")
        };
        let hour = source.number("feeder.daily.peak_utc_h", &self.peak_utc_h, 0.0..=24.0, "h")?;
        Ok(Daily {
            peak_utc_h: hour,
            v1_drop_percent: percent("feeder.daily.v1_drop_percent", &self.v1_drop_percent, -10.0, 10.0)?,
            u2_rise_percent: percent("feeder.daily.u2_rise_percent", &self.u2_rise_percent, 0.0, 5.0)?,
            u0_rise_percent: percent("feeder.daily.u0_rise_percent", &self.u0_rise_percent, 0.0, 10.0)?,
            harmonics_rise_percent: percent(
                "feeder.daily.harmonics_rise_percent",
                &self.harmonics_rise_percent,
                -100.0,
                300.0,
            )?,
            wander_percent: percent("feeder.daily.wander_percent", &self.wander_percent, 0.0, 2.0)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_load_is_heaviest_once_a_day() {
        let daily = Daily {
            peak_utc_h: 18.0,
            v1_drop_percent: 0.0,
            u2_rise_percent: 0.0,
            u0_rise_percent: 0.0,
            harmonics_rise_percent: 0.0,
            wander_percent: 0.0,
        };
        for (hour, load) in [(18.0, 1.0), (6.0, 0.0), (12.0, 0.5), (0.0, 0.5)] {
            assert!(libm::fabs(daily.load(hour * 3600.0) - load) < 1e-12, "{hour}");
        }
    }
}
