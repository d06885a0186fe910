//! What charts need of the intervals of a bank, as columns of numbers.

use polars::prelude::{DataType, LazyFrame, col};

use super::PHASES;
use super::cells::Cells;
use super::fleet::Phasor;
use crate::store::StoreError;

/// An interval. What was not measured is `None`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sample {
    /// Its end: UTC ms.
    pub time_ms: i64,
    /// An interruption, a clipped channel or lost frames touched it.
    pub is_flagged: bool,
    /// Voltage to ground of A, B, C: rms, in V.
    pub voltage: [Option<f64>; 3],
    /// Delivered by A, B, C.
    pub kvar: [Option<f64>; 3],
    /// u2 in percent.
    pub u2: Option<f64>,
    /// u0 in percent.
    pub u0: Option<f64>,
    /// Fundamental of the neutral current, in A.
    pub measured_a: Option<f64>,
    /// What the voltages explain of it, in A.
    pub explained_a: Option<f64>,
}

/// Values of an interval: voltages, kvar, u2, u0, measured, explained.
const VALUES: usize = 10;

/// Intervals with a time. A value that is not there is NaN: half the room of an `Option`.
#[derive(Clone, Debug, Default)]
pub(super) struct Samples {
    times: Vec<i64>,
    flagged: Vec<bool>,
    values: Vec<[f64; VALUES]>,
}

/// Of the neutral current: size and angle, and of what of it is not explained.
const PHASORS: [&str; 4] =
    ["neutral_phasor_pu", "neutral_phasor_deg", "residual_phasor_pu", "residual_phasor_deg"];
const OTHERS: [&str; 4] = ["u2_percent", "u0_percent", "rated_kvar_phase", "unit_voltage_v"];

impl Samples {
    /// Those of a frame of the table `intervals`, in its order; no other column is read.
    pub fn of(frame: LazyFrame) -> Result<Self, StoreError> {
        let mut columns = vec![
            col("time").cast(DataType::Int64).cast(DataType::Float64).alias("time_ms"),
            col("flagged").cast(DataType::Float64),
        ];
        columns.extend(PHASORS.into_iter().chain(OTHERS).map(col));
        columns.extend(PHASES.map(|phase| col(format!("voltage_{phase}_v").as_str())));
        columns.extend(PHASES.map(|phase| col(format!("kvar_{phase}").as_str())));
        let frame = frame.select(columns).collect()?;
        let cells = Cells(&frame);
        let times = cells.reals("time_ms");
        let flagged = cells.reals("flagged");
        let [n_pu, n_deg, r_pu, r_deg] = PHASORS.map(|name| cells.reals(name));
        let [u2, u0, rated_kvar, unit_volts] = OTHERS.map(|name| cells.reals(name));
        let [volts_a, volts_b, volts_c] = PHASES.map(|phase| cells.reals(&format!("voltage_{phase}_v")));
        let [kvar_a, kvar_b, kvar_c] = PHASES.map(|phase| cells.reals(&format!("kvar_{phase}")));
        let mut samples = Self::default();
        for (row, time) in times.iter().enumerate() {
            let Some(time) = time else { continue };
            let at = |column: &[Option<f64>]| column.get(row).copied().flatten();
            let rated_a = at(&rated_kvar).zip(at(&unit_volts)).map(|(kvar, volts)| kvar * 1000.0 / volts);
            let measured = at(&n_pu).zip(at(&n_deg)).map(|(pu, deg)| Phasor::from_polar(pu, deg));
            let residual = at(&r_pu).zip(at(&r_deg)).map(|(pu, deg)| Phasor::from_polar(pu, deg));
            let explained = measured.zip(residual).map(|(n, r)| n.less(r).size());
            samples.push(&Sample {
                time_ms: *time as i64,
                is_flagged: at(&flagged).is_some_and(|flagged| flagged > 0.0),
                voltage: [at(&volts_a), at(&volts_b), at(&volts_c)],
                kvar: [at(&kvar_a), at(&kvar_b), at(&kvar_c)],
                u2: at(&u2),
                u0: at(&u0),
                measured_a: measured.zip(rated_a).map(|(n, amps)| n.size() * amps),
                explained_a: explained.zip(rated_a).map(|(pu, amps)| pu * amps),
            });
        }
        Ok(samples)
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Their ends.
    pub fn times(&self) -> &[i64] {
        &self.times
    }

    /// One of them; behind the last one, an empty one.
    pub fn get(&self, index: usize) -> Sample {
        let value = |value: f64| (!value.is_nan()).then_some(value);
        let values = self.values.get(index).copied().unwrap_or([f64::NAN; VALUES]);
        let [volts_a, volts_b, volts_c, kvar_a, kvar_b, kvar_c, u2, u0, measured_a, explained_a] =
            values.map(value);
        Sample {
            time_ms: self.times.get(index).copied().unwrap_or_default(),
            is_flagged: self.flagged.get(index).copied().unwrap_or_default(),
            voltage: [volts_a, volts_b, volts_c],
            kvar: [kvar_a, kvar_b, kvar_c],
            u2,
            u0,
            measured_a,
            explained_a,
        }
    }

    /// One more.
    pub fn push(&mut self, sample: &Sample) {
        let ([volts_a, volts_b, volts_c], [kvar_a, kvar_b, kvar_c]) = (sample.voltage, sample.kvar);
        let values = [volts_a, volts_b, volts_c, kvar_a, kvar_b, kvar_c];
        let others = [sample.u2, sample.u0, sample.measured_a, sample.explained_a];
        let mut all = values.into_iter().chain(others).map(|value| value.unwrap_or(f64::NAN));
        self.times.push(sample.time_ms);
        self.flagged.push(sample.is_flagged);
        self.values.push(std::array::from_fn(|_| all.next().unwrap_or(f64::NAN)));
    }

    /// Those of another one behind these.
    pub fn append(&mut self, mut other: Self) {
        self.times.append(&mut other.times);
        self.flagged.append(&mut other.flagged);
        self.values.append(&mut other.values);
    }

    /// Puts them in the order of their times.
    pub fn sort(&mut self) {
        if self.times.is_sorted() {
            return;
        }
        let mut order: Vec<usize> = (0..self.len()).collect();
        order.sort_by_key(|index| self.times.get(*index).copied());
        let mut sorted = Self::default();
        for index in order {
            sorted.push(&self.get(index));
        }
        *self = sorted;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_drawn_by_hand() {
        use polars::prelude::{IntoLazy, df};
        // Minutes that end at 1, 2, 3 and 7; the third is flagged. 1 pu is 200 kvar over 7200 V: 27.78 A.
        let nothing = [None::<f64>; 4];
        let frame = df!(
            "time" => [420_000_i64, 60_000, 120_000, 180_000],
            "flagged" => [0_u32, 0, 0, 9],
            "neutral_phasor_pu" => [0.0, 0.3, 0.3, 0.3],
            "neutral_phasor_deg" => [0.0, 0.0, 90.0, 0.0],
            "residual_phasor_pu" => [0.5, 0.4, 0.0, 0.0],
            "residual_phasor_deg" => [180.0, 90.0, 0.0, 0.0],
            "u2_percent" => [1.0, 3.0, 4.0, 9.0],
            "u0_percent" => nothing,
            "rated_kvar_phase" => [200.0; 4],
            "unit_voltage_v" => [7200.0; 4],
            "voltage_a_v" => [7200.0, 7000.0, 7100.0, 0.0],
            "voltage_b_v" => nothing,
            "voltage_c_v" => nothing,
            "kvar_a" => [200.0, 190.0, 210.0, 0.0],
            "kvar_b" => nothing,
            "kvar_c" => nothing,
        );
        let mut samples = Samples::of(frame.unwrap().lazy()).unwrap();
        samples.sort();
        assert_eq!(samples.times(), [60_000, 120_000, 180_000, 420_000]);
        let near = |value: Option<f64>, expected: f64| assert!((value.unwrap() - expected).abs() < 1e-9);
        let [first, second, flagged, last] = [0, 1, 2, 3].map(|index| samples.get(index));
        assert_eq!((first.voltage, first.kvar), ([Some(7000.0), None, None], [Some(190.0), None, None]));
        assert_eq!((first.u2, first.u0, first.is_flagged), (Some(3.0), None, false));
        near(first.measured_a, 0.3 * 200_000.0 / 7200.0);
        // 0.3 less 0.4j is 0.5; 0.3j less nothing is 0.3; nothing less −0.5 is 0.5.
        near(first.explained_a, 0.5 * 200_000.0 / 7200.0);
        near(second.explained_a, 0.3 * 200_000.0 / 7200.0);
        assert!(flagged.is_flagged);
        near(last.explained_a, 0.5 * 200_000.0 / 7200.0);
        assert_eq!(samples.get(4), Sample::default());
    }
}
