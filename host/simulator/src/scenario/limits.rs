//! `[limits]`: when a value becomes a condition.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::Limits;
use wyelog_protocol::quantity::{PerUnit, Percent};

use super::check::Source;
use super::error::Error;

/// Every field of the logger's limits, with its unit in its name.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LimitsTable {
    interruption_percent: Option<Spanned<f64>>,
    sag_percent: Option<Spanned<f64>>,
    swell_percent: Option<Spanned<f64>>,
    hysteresis_percent: Option<Spanned<f64>>,
    lost_phase_pu: Option<Spanned<f64>>,
    least_change_pu: Option<Spanned<f64>>,
    operate_s: Option<Spanned<i64>>,
    operations_per_day: Option<Spanned<i64>>,
    overvoltage_percent: Option<Spanned<f64>>,
    undervoltage_percent: Option<Spanned<f64>>,
    unbalance_percent: Option<Spanned<f64>>,
    overload_percent: Option<Spanned<f64>>,
    peak_percent: Option<Spanned<f64>>,
    crew_delay_s: Option<Spanned<i64>>,
    engineer_delay_s: Option<Spanned<i64>>,
    log_delay_s: Option<Spanned<i64>>,
    return_s: Option<Spanned<i64>>,
    voltages_good_s: Option<Spanned<i64>>,
}

impl LimitsTable {
    /// The limits; what is not stated has the logger's default.
    pub fn check(&self, source: &Source) -> Result<Limits, Error> {
        let mut limits = Limits::DEFAULT;
        let percent = |name, value: &Option<Spanned<f64>>, default: Percent, range| {
            let value = value.as_ref().map(|value| source.number(name, value, range, "%")).transpose()?;
            Ok(value.map_or(default, |value| Percent::quantise(value as f32)))
        };
        let interruption = &self.interruption_percent;
        limits.interruption =
            percent("limits.interruption_percent", interruption, limits.interruption, 1.0..=50.0)?;
        limits.sag = percent("limits.sag_percent", &self.sag_percent, limits.sag, 50.0..=99.0)?;
        limits.swell = percent("limits.swell_percent", &self.swell_percent, limits.swell, 101.0..=180.0)?;
        limits.hysteresis =
            percent("limits.hysteresis_percent", &self.hysteresis_percent, limits.hysteresis, 0.1..=10.0)?;
        limits.overvoltage = percent(
            "limits.overvoltage_percent",
            &self.overvoltage_percent,
            limits.overvoltage,
            100.5..=150.0,
        )?;
        limits.undervoltage = percent(
            "limits.undervoltage_percent",
            &self.undervoltage_percent,
            limits.undervoltage,
            50.0..=99.5,
        )?;
        limits.unbalance =
            percent("limits.unbalance_percent", &self.unbalance_percent, limits.unbalance, 0.5..=20.0)?;
        limits.overload =
            percent("limits.overload_percent", &self.overload_percent, limits.overload, 101.0..=300.0)?;
        limits.peak = percent("limits.peak_percent", &self.peak_percent, limits.peak, 101.0..=300.0)?;
        if let Some(value) = &self.least_change_pu {
            let pu = source.number("limits.least_change_pu", value, 0.01..=0.3, "pu")?;
            limits.least_change = PerUnit::quantise(pu as f32);
        }
        if let Some(value) = &self.operations_per_day {
            limits.operations_per_day = source.whole("limits.operations_per_day", value, 1..=250)? as u8;
        }
        if let Some(value) = &self.operate_s {
            limits.operate_s = source.whole("limits.operate_s", value, 1..=600)? as u16;
        }
        if let Some(value) = &self.lost_phase_pu {
            let pu = source.number("limits.lost_phase_pu", value, 0.05..=0.45, "pu")?;
            limits.lost_phase = PerUnit::quantise(pu as f32);
        }
        let seconds = |name, value: &Option<Spanned<i64>>, default: u16, high| {
            source.whole_or(name, value.as_ref(), i64::from(default), 0..=high).map(|seconds| seconds as u16)
        };
        limits.crew_delay_s = seconds("limits.crew_delay_s", &self.crew_delay_s, limits.crew_delay_s, 3_600)?;
        limits.engineer_delay_s =
            seconds("limits.engineer_delay_s", &self.engineer_delay_s, limits.engineer_delay_s, 36_000)?;
        limits.log_delay_s = seconds("limits.log_delay_s", &self.log_delay_s, limits.log_delay_s, 36_000)?;
        limits.return_s = seconds("limits.return_s", &self.return_s, limits.return_s, 3_600)?;
        limits.voltages_good_s =
            seconds("limits.voltages_good_s", &self.voltages_good_s, limits.voltages_good_s, 3_600)?;
        Ok(limits)
    }
}
