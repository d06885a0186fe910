//! The tables: their columns, and how records become rows.

mod bank;
mod bank_rows;
mod builder;
mod day_sums;
pub(super) mod days;
mod interval;
mod rows;
mod spectra;
mod states;

use polars::prelude::{DataType, Field, Schema, TimeUnit, TimeZone};

pub use bank::{BANK, BASELINES, OPERATIONS, SETTINGS};
pub use days::DAYS;
pub use rows::Rows;
pub use spectra::{SPECTRA, SPECTRUM_FRAMES};

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// Whole number below 2^32.
    U32,
    /// Whole number.
    U64,
    /// Real number; null where nothing was measured.
    F64,
    /// UTC to the millisecond; null where it is not known.
    Time,
}

impl Kind {
    fn data_type(self) -> DataType {
        match self {
            Self::Text => DataType::String,
            Self::U32 => DataType::UInt32,
            Self::U64 => DataType::UInt64,
            Self::F64 => DataType::Float64,
            Self::Time => DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)),
        }
    }
}

/// A table of the store.
#[derive(Clone, Copy, Debug)]
pub struct Table {
    /// Its name and folder.
    pub name: &'static str,
    /// Whether its files lie in a folder a month.
    pub by_month: bool,
    /// Columns, in order.
    pub columns: &'static [(&'static str, Kind)],
}

impl Table {
    /// As the table engine wants it.
    pub fn schema(&self) -> Schema {
        self.columns.iter().map(|(name, kind)| Field::new((*name).into(), kind.data_type())).collect()
    }
}

/// The columns of a table, behind those that say which record a row is of.
macro_rules! columns {
    ($($column:expr),* $(,)?) => {
        &[
            ("device", Kind::Text),
            ("bank", Kind::Text),
            ("sequence", Kind::U32),
            ("boot", Kind::U32),
            ("frame", Kind::U64),
            ("time", Kind::Time),
            ("time_logger", Kind::Time),
            ("time_quality", Kind::Text),
            ("time_error_s", Kind::F64),
            $($column),*
        ]
    };
}
use columns;

/// A row an interval (a minute by default).
pub const INTERVALS: Table = Table {
    name: "intervals",
    by_month: true,
    columns: columns![
        ("interval_s", Kind::F64),
        ("windows", Kind::U32),
        ("flagged", Kind::U32),
        ("frequency_hz", Kind::F64),
        ("voltage_a_v", Kind::F64),
        ("voltage_b_v", Kind::F64),
        ("voltage_c_v", Kind::F64),
        ("voltage_min_a_v", Kind::F64),
        ("voltage_min_b_v", Kind::F64),
        ("voltage_min_c_v", Kind::F64),
        ("voltage_max_a_v", Kind::F64),
        ("voltage_max_b_v", Kind::F64),
        ("voltage_max_c_v", Kind::F64),
        ("neutral_a", Kind::F64),
        ("neutral_min_a", Kind::F64),
        ("neutral_max_a", Kind::F64),
        ("residual_pu", Kind::F64),
        ("neutral_phasor_pu", Kind::F64),
        ("neutral_phasor_deg", Kind::F64),
        ("residual_phasor_pu", Kind::F64),
        ("residual_phasor_deg", Kind::F64),
        ("u2_percent", Kind::F64),
        ("u0_percent", Kind::F64),
        ("nema_percent", Kind::F64),
        ("connected_a", Kind::F64),
        ("connected_b", Kind::F64),
        ("connected_c", Kind::F64),
        ("difference_sigma_pu", Kind::F64),
        ("common_sigma_pu", Kind::F64),
        ("common_basis", Kind::Text),
        ("state", Kind::Text),
        ("bank_phases", Kind::Text),
        ("rated_kvar_phase", Kind::F64),
        ("unit_voltage_v", Kind::F64),
        ("rated_hz", Kind::F64),
        ("kvar_a", Kind::F64),
        ("kvar_b", Kind::F64),
        ("kvar_c", Kind::F64),
    ],
};

/// A row a change of a condition.
pub const EVENTS: Table = Table {
    name: "events",
    by_month: false,
    columns: columns![
        ("occurrence", Kind::U32),
        ("condition", Kind::Text),
        ("route", Kind::Text),
        ("change", Kind::Text),
        ("phases", Kind::Text),
        ("fraction", Kind::F64),
        ("causes", Kind::Text),
        ("begin_frame", Kind::U64),
        ("begin_time", Kind::Time),
        ("end_frame", Kind::U64),
        ("end_time", Kind::Time),
        ("voltage_a_v", Kind::F64),
        ("voltage_b_v", Kind::F64),
        ("voltage_c_v", Kind::F64),
        ("neutral_a", Kind::F64),
        ("residual_pu", Kind::F64),
        ("residual_deg", Kind::F64),
        ("connected_before_a", Kind::F64),
        ("connected_before_b", Kind::F64),
        ("connected_before_c", Kind::F64),
        ("connected_after_a", Kind::F64),
        ("connected_after_b", Kind::F64),
        ("connected_after_c", Kind::F64),
    ],
};

/// A row a record of waveforms. The samples themselves stay in the raw logs: `wyelog captures` makes COMTRADE of them.
pub const CAPTURES: Table = Table {
    name: "captures",
    by_month: false,
    columns: columns![("samples", Kind::U32), ("follows", Kind::Text),],
};

/// A row for whatever happened to a logger itself.
pub const STATUS: Table = Table {
    name: "status",
    by_month: false,
    columns: columns![("status", Kind::Text), ("detail", Kind::Text),],
};

/// A row a record, in all of them together.
pub const TABLES: [&Table; 9] =
    [&INTERVALS, &SPECTRA, &EVENTS, &CAPTURES, &STATUS, &SETTINGS, &OPERATIONS, &BANK, &BASELINES];

/// Those, and what is derived from them.
pub const ALL_TABLES: [&Table; 10] =
    [&INTERVALS, &DAYS, &SPECTRA, &EVENTS, &CAPTURES, &STATUS, &SETTINGS, &OPERATIONS, &BANK, &BASELINES];
