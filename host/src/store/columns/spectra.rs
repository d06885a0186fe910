//! The table of harmonics, wide: a column a harmonic and channel.

use wyelog_protocol::bank::Settings;
use wyelog_protocol::quantity::Quantity;
use wyelog_protocol::record::{BankState, Spectrum};

use super::builder::Row;
use super::{Kind, Table, columns};

macro_rules! spectra {
    ($($order:literal)*) => {
        columns![
            ("windows", Kind::U32),
            ("flagged", Kind::U32),
            ("thd_a_percent", Kind::F64),
            ("thd_b_percent", Kind::F64),
            ("thd_c_percent", Kind::F64),
            ("current_loading_a_percent", Kind::F64),
            ("current_loading_b_percent", Kind::F64),
            ("current_loading_c_percent", Kind::F64),
            ("reactive_loading_a_percent", Kind::F64),
            ("reactive_loading_b_percent", Kind::F64),
            ("reactive_loading_c_percent", Kind::F64),
            ("crest_loading_a_percent", Kind::F64),
            ("crest_loading_b_percent", Kind::F64),
            ("crest_loading_c_percent", Kind::F64),
            ("thd_percent", Kind::F64),
            ("current_loading_percent", Kind::F64),
            ("reactive_loading_percent", Kind::F64),
            ("crest_loading_percent", Kind::F64),
            ("state", Kind::Text),
            $(
                (concat!("voltage_a_h", $order, "_percent"), Kind::F64),
                (concat!("voltage_b_h", $order, "_percent"), Kind::F64),
                (concat!("voltage_c_h", $order, "_percent"), Kind::F64),
                (concat!("neutral_h", $order, "_percent"), Kind::F64),
            )*
        ]
    };
}

/// The longest time that a row is about: the ten minutes before its end. The first one after a start of the logger is about the
/// time since that start. How many windows it looked at in that time says nothing of it: a simulated logger looks at few.
pub const SPECTRUM_FRAMES: u64 = 600 * wyelog_protocol::FRAMES_PER_SECOND as u64;

/// A row each ten minutes: harmonics, distortion, loading.
pub const SPECTRA: Table = Table {
    name: "spectra",
    by_month: true,
    columns: spectra!(2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25),
};

/// What stands behind the columns that say which record it is; `state` is that of all its ten minutes. Beside what the phases have
/// stands the largest of them: it is asked for most, and to read one column takes a third of the time.
pub(super) fn write(
    record: &Spectrum,
    settings: Option<&Settings>,
    state: Option<BankState>,
    row: &mut Row<'_>,
) {
    row.whole(Some(u64::from(record.windows)));
    row.whole(Some(u64::from(record.flagged)));
    let ratio = settings.and_then(|settings| {
        let plate = &settings.nameplate;
        Some(plate.system_voltage.value_f64()? / libm::sqrt(3.0) / plate.unit_voltage.value_f64()?)
    });
    let crest = |phase: usize| {
        let harmonics = record.voltage.get(phase)?.iter().map(|harmonic| harmonic.value_f64().unwrap_or(0.0));
        Some(crest_percent(harmonics, ratio?, record.reactive_loading.get(phase)?.value_f64()?))
    };
    let of_phases = [
        record.thd.map(Quantity::value_f64),
        record.current_loading.map(Quantity::value_f64),
        record.reactive_loading.map(Quantity::value_f64),
        [0, 1, 2].map(crest),
    ];
    row.reals(of_phases.iter().flatten().copied());
    row.reals(of_phases.map(|values| values.into_iter().flatten().reduce(f64::max)));
    row.text(state.map(BankState::name));
    let [a, b, c] = &record.voltage;
    for (((a, b), c), neutral) in a.iter().zip(b).zip(c).zip(&record.neutral) {
        row.reals([a, b, c].map(|harmonic| harmonic.value_f64()));
        row.real(neutral.value_f64());
    }
}

/// Fundamental and harmonics (from the second on, in percent of the system's rated voltage to ground, which is `ratio` times
/// the units') if all their crests meet, in percent of the units' rated crest. The reactive loading in percent is Σ h·V_h², so
/// it gives the fundamental.
fn crest_percent(harmonics: impl Iterator<Item = f64>, ratio: f64, reactive_percent: f64) -> f64 {
    let (mut sum, mut weighted) = (0.0, 0.0);
    for (harmonic, order) in harmonics.zip(2_u32..) {
        let of_unit = harmonic / 100.0 * ratio;
        sum += of_unit;
        weighted += f64::from(order) * of_unit * of_unit;
    }
    100.0 * (libm::sqrt((reactive_percent / 100.0 - weighted).max(0.0)) + sum)
}

#[cfg(test)]
mod tests {
    use super::crest_percent;

    #[test]
    fn crests_by_hand() {
        // 110 % of the units' reactive power at the units' own voltage, a third of 10 % and a fifth of 4 %: the fundamental is
        // √(1.1 − 3 · 0.01 − 5 · 0.0016) = √1.062.
        let crest = crest_percent([0.0, 10.0, 0.0, 4.0].into_iter(), 1.0, 110.0);
        assert!((crest - 100.0 * (1.062_f64.sqrt() + 0.14)).abs() < 1e-9, "{crest}");
        // Units rated 10 % above the system: harmonics count less.
        let crest = crest_percent([0.0, 11.0].into_iter(), 1.0 / 1.1, 100.0);
        assert!((crest - 100.0 * (0.97_f64.sqrt() + 0.1)).abs() < 1e-9, "{crest}");
        // More harmonics than there is reactive power: a record's steps. No fundamental then.
        assert!((crest_percent([50.0].into_iter(), 1.0, 10.0) - 50.0).abs() < 1e-9);
    }
}
