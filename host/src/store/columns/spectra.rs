//! The table of harmonics, wide: a column a harmonic and channel.

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
            $(
                (concat!("voltage_a_h", $order, "_percent"), Kind::F64),
                (concat!("voltage_b_h", $order, "_percent"), Kind::F64),
                (concat!("voltage_c_h", $order, "_percent"), Kind::F64),
                (concat!("neutral_h", $order, "_percent"), Kind::F64),
            )*
        ]
    };
}

/// A row each ten minutes: harmonics, distortion, loading.
pub const SPECTRA: Table = Table {
    name: "spectra",
    by_month: true,
    columns: spectra!(2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25),
};
