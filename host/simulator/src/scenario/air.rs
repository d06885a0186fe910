//! `[air]`: the temperature around the bank through day and year.

use serde::Deserialize;
use toml::Spanned;

use super::check::Source;
use super::error::Error;
use crate::civil::SECONDS_PER_DAY;

/// Temperature of the air: a constant and two cosines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// Mean, in °C.
    pub celsius: f64,
    /// Half of what lies between the warmest and the coldest hour of a day, in °C.
    pub day_swing_celsius: f64,
    /// The warmest hour, UTC.
    pub warmest_utc_h: f64,
    /// Half of what lies between the warmest and the coldest day of a year, in °C.
    pub year_swing_celsius: f64,
    /// The warmest day, counted from 1 January.
    pub warmest_day: f64,
}

/// Days of a year, leap years included.
const YEAR_DAYS: f64 = 365.25;

impl Air {
    /// Temperature at `unix_s` seconds since 1970, UTC, in °C.
    pub fn at(&self, unix_s: f64) -> f64 {
        let days = unix_s / SECONDS_PER_DAY as f64;
        let swing = |size: f64, cycles: f64| {
            size * libm::cos(core::f64::consts::TAU * (cycles - libm::floor(cycles)))
        };
        self.celsius
            + swing(self.day_swing_celsius, days - self.warmest_utc_h / 24.0)
            + swing(self.year_swing_celsius, (days - self.warmest_day) / YEAR_DAYS)
    }

    /// Whether it changes at all.
    pub fn swings(&self) -> bool {
        self.day_swing_celsius > 0.0 || self.year_swing_celsius > 0.0
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AirTable {
    celsius: Spanned<f64>,
    day_swing_celsius: Option<Spanned<f64>>,
    warmest_utc_h: Option<Spanned<f64>>,
    year_swing_celsius: Option<Spanned<f64>>,
    warmest_day: Option<Spanned<f64>>,
}

impl AirTable {
    pub fn check(&self, source: &Source) -> Result<Air, Error> {
        let number = |name: &str, value: &Option<Spanned<f64>>, default, high, unit| {
            source.number_or(name, value.as_ref(), default, 0.0..=high, unit)
        };
        let air = Air {
            celsius: source.number("air.celsius", &self.celsius, -40.0..=50.0, "°C")?,
            day_swing_celsius: number("air.day_swing_celsius", &self.day_swing_celsius, 0.0, 45.0, "°C")?,
            warmest_utc_h: number("air.warmest_utc_h", &self.warmest_utc_h, 15.0, 24.0, "h")?,
            year_swing_celsius: number("air.year_swing_celsius", &self.year_swing_celsius, 0.0, 45.0, "°C")?,
            warmest_day: number("air.warmest_day", &self.warmest_day, 200.0, 366.0, "")?,
        };
        let swing = air.day_swing_celsius + air.year_swing_celsius;
        let (coldest, warmest) = (air.celsius - swing, air.celsius + swing);
        if coldest < -40.0 || warmest > 50.0 {
            let must =
                format!("reaches {coldest:.1}…{warmest:.1} °C with its swings; must stay within -40…50 °C");
            return Err(source.wrong(&self.celsius, "air.celsius", must));
        }
        Ok(air)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_air_is_warmest_at_the_stated_hour_of_the_stated_day() {
        let air = Air {
            celsius: 5.0,
            day_swing_celsius: 8.0,
            warmest_utc_h: 15.0,
            year_swing_celsius: 20.0,
            warmest_day: 200.0,
        };
        // 1970: the 200th day after 1 January, 15:00; 12 hours earlier; half a year earlier.
        let day = 86_400.0;
        for (unix_s, celsius) in [
            (200.0 * day, 5.0 + 20.0 + 8.0 * libm::cos(core::f64::consts::TAU * 15.0 / 24.0)),
            (200.0 * day + 15.0 * 3600.0, 33.0),
            (200.0 * day + 3.0 * 3600.0, 17.0),
            (
                (200.0 - 182.625) * day,
                5.0 - 20.0 + 8.0 * libm::cos(core::f64::consts::TAU * (17.375 - 0.625)),
            ),
        ] {
            assert!(libm::fabs(air.at(unix_s) - celsius) < 1e-2, "{} is not {celsius}", air.at(unix_s));
        }
    }
}
