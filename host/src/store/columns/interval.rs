//! An interval, beside the nameplate in force, as a row.

use polars::prelude::PlSmallStr;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::Phases;
use wyelog_protocol::quantity::Quantity;
use wyelog_protocol::record::Interval;

use super::builder::Row;
use super::rows::basis;

/// What the settings in force say of intervals.
#[derive(Clone, Debug, Default)]
pub struct Plate {
    interval_s: Option<f64>,
    /// Phases of the bank, and their letters; `None` while no nameplate is known.
    phases: Option<(Phases, PlSmallStr)>,
    /// Of a phase: the rating is that of all the phases that the bank has.
    rated_kvar: Option<f64>,
    unit_voltage_v: Option<f64>,
    rated_hz: Option<f64>,
}

impl Plate {
    pub fn of(settings: Option<&Settings>) -> Self {
        let Some(settings) = settings else { return Self::default() };
        let plate = &settings.nameplate;
        let phases = plate.build.phases;
        let count = f64::from(phases.count().max(1));
        Self {
            interval_s: Some(f64::from(settings.interval_s)),
            phases: Some((phases, phases.letters().collect::<String>().as_str().into())),
            rated_kvar: plate.rated_power.value_f64().map(|kvar| kvar / count),
            unit_voltage_v: plate.unit_voltage.value_f64(),
            rated_hz: Some(f64::from(plate.frequency.hz())),
        }
    }

    /// Nominal length of an interval in s.
    pub const fn interval_s(&self) -> Option<f64> {
        self.interval_s
    }

    /// Of a phase.
    pub const fn rated_kvar(&self) -> Option<f64> {
        self.rated_kvar
    }

    pub const fn unit_voltage_v(&self) -> Option<f64> {
        self.unit_voltage_v
    }

    fn lacks(&self, phase: usize) -> bool {
        self.phases.as_ref().is_some_and(|(phases, _)| !phases.contains(phase))
    }

    /// What each phase delivered: Q_p = y_p · Q_r · (V/V_r)² · (f/f_r); IEEE 1036, and
    /// `wyelog_electrical::capacitor::delivered`.
    pub fn kvar(&self, record: &Interval) -> [Option<f64>; 3] {
        [0, 1, 2].map(|phase| {
            if self.lacks(phase) {
                return Some(0.0);
            }
            Some(record.connected.get(phase)?.value_f64()? * self.whole_kvar(record, phase)?)
        })
    }

    /// What a whole phase would have delivered.
    pub fn whole_kvar(&self, record: &Interval, phase: usize) -> Option<f64> {
        if self.lacks(phase) {
            return Some(0.0);
        }
        let ratio = record.voltage.get(phase)?.rms.value_f64()? / self.unit_voltage_v?;
        Some(self.rated_kvar? * ratio * ratio * record.frequency.value_f64()? / self.rated_hz?)
    }

    /// Measured hours: windows are 10 or 12 cycles of the measured frequency, 200 ms at the rated one.
    pub fn hours(&self, record: &Interval) -> f64 {
        let stretch = self.rated_hz.zip(record.frequency.value_f64()).map_or(1.0, |(rated, hz)| rated / hz);
        f64::from(record.windows) * (0.2 / 3600.0) * stretch
    }
}

/// What stands behind the columns that say which record it is.
pub fn write(record: &Interval, plate: &Plate, kvar: [Option<f64>; 3], row: &mut Row<'_>) {
    row.real(plate.interval_s);
    row.whole(Some(u64::from(record.windows)));
    row.whole(Some(u64::from(record.flagged)));
    row.real(record.frequency.value_f64());
    row.reals(record.voltage.iter().map(|range| range.rms.value_f64()));
    row.reals(record.voltage.iter().map(|range| range.min.value_f64()));
    row.reals(record.voltage.iter().map(|range| range.max.value_f64()));
    row.reals([record.neutral.rms, record.neutral.min, record.neutral.max].map(Quantity::value_f64));
    row.real(record.residual.value_f64());
    for phasor in [&record.neutral_phasor, &record.residual_phasor] {
        row.real(phasor.size.value_f64());
        row.real(phasor.angle.value_f64());
    }
    row.reals([record.u2, record.u0, record.nema].map(Quantity::value_f64));
    row.reals(record.connected.map(Quantity::value_f64));
    let quality = &record.quality;
    row.reals([quality.difference_sigma, quality.common_sigma].map(Quantity::value_f64));
    row.text(basis(quality));
    row.text(Some(record.state.name()));
    row.text(plate.phases.as_ref().map(|(_, letters)| letters.as_str()));
    row.reals([plate.rated_kvar, plate.unit_voltage_v, plate.rated_hz]);
    row.reals(kvar);
}
