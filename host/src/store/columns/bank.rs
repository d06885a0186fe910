//! The tables of what is known of a bank: what its switch did, its state, and what its logger was told.

use super::{Kind, Table, columns};

/// A row an operation of the switch, as currents and voltages show it.
pub const OPERATIONS: Table = Table {
    name: "operations",
    by_month: false,
    columns: columns![
        ("action", Kind::Text),
        ("told", Kind::U32),
        ("begin_frame", Kind::U64),
        ("begin_time", Kind::Time),
        ("pole_a_us", Kind::U32),
        ("pole_b_us", Kind::U32),
        ("pole_c_us", Kind::U32),
        ("neutral_peak_a", Kind::F64),
        ("voltage_step_pu", Kind::F64),
        ("since_opening_s", Kind::F64),
    ],
};

/// A row a change of what is known of the bank.
pub const BANK: Table = Table {
    name: "bank",
    by_month: false,
    columns: columns![
        ("state", Kind::Text),
        ("connected_a", Kind::F64),
        ("connected_b", Kind::F64),
        ("connected_c", Kind::F64),
        ("sigma_a_pu", Kind::F64),
        ("sigma_b_pu", Kind::F64),
        ("sigma_c_pu", Kind::F64),
        ("difference_sigma_pu", Kind::F64),
        ("common_sigma_pu", Kind::F64),
        ("common_basis", Kind::Text),
    ],
};

/// A row each time something became of a baseline.
pub const BASELINES: Table = Table {
    name: "baselines",
    by_month: false,
    columns: columns![
        ("state", Kind::Text),
        ("reason", Kind::Text),
        ("connected_a", Kind::F64),
        ("connected_b", Kind::F64),
        ("connected_c", Kind::F64),
        ("difference_sigma_pu", Kind::F64),
        ("common_sigma_pu", Kind::F64),
        ("common_basis", Kind::Text),
        ("change_sigma_pu", Kind::F64),
        ("lowest_v", Kind::F64),
        ("highest_v", Kind::F64),
        ("hours", Kind::U32),
        ("openings", Kind::U32),
        ("closings", Kind::U32),
    ],
};

/// A row each time settings came into force.
pub const SETTINGS: Table = Table {
    name: "settings",
    by_month: false,
    columns: columns![
        ("connection", Kind::Text),
        ("phases", Kind::Text),
        ("rated_kvar", Kind::F64),
        ("system_voltage_v", Kind::F64),
        ("unit_voltage_v", Kind::F64),
        ("rated_hz", Kind::F64),
        ("units_per_phase", Kind::U32),
        ("sections_per_unit", Kind::U32),
        ("switching", Kind::Text),
        ("fusing", Kind::Text),
        ("second_step_units", Kind::U32),
        ("sensor_a", Kind::Text),
        ("sensor_b", Kind::Text),
        ("sensor_c", Kind::Text),
        ("location_a", Kind::Text),
        ("location_b", Kind::Text),
        ("location_c", Kind::Text),
        ("control_power", Kind::Text),
        ("has_contact", Kind::U32),
        ("ratio_error_percent", Kind::F64),
        ("displacement_deg", Kind::F64),
        ("own_third_percent", Kind::F64),
        ("stray_percent", Kind::F64),
        ("stray_third_percent", Kind::F64),
        ("interval_s", Kind::F64),
    ],
};
