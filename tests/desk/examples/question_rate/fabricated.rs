//! A store of invented banks, made column by column: no logs behind it.

use std::error::Error;
use std::f64::consts::TAU;
use std::fs::{self, File};
use std::path::Path;

use polars::prelude::*;
use wyelog::store::{EVENTS, INTERVALS, Kind, Mark, SETTINGS, Store, Table};

/// 2030-01-01 00:00 UTC in ms.
const START_MS: i64 = 1_893_456_000_000;
/// Rows of a bank a day: each ten minutes.
const ROWS_A_DAY: u32 = 144;
/// Frames of ten minutes.
const FRAMES: u64 = 600 * 4800;
/// Days of a file.
const DAYS_A_FILE: u32 = 30;
/// Banks of a row group.
const BANKS_A_GROUP: u32 = 50;

/// Makes it; returns the number of rows of intervals.
pub fn store(dir: &Path, banks: u32, days: u32) -> Result<u64, Box<dyn Error>> {
    drop(Store::open_or_create(dir)?);
    fs::create_dir_all(dir.join("logs"))?;
    let register: Vec<(String, String)> =
        (0..banks).map(|bank| (name(bank), format!("Feeder {}", bank / 8))).collect();
    fs::write(dir.join("banks.toml"), wyelog::store::Banks::new(register).text()?)?;
    let mut files = Vec::new();
    for first in (0..days).step_by(DAYS_A_FILE as usize) {
        let steps = first * ROWS_A_DAY..days.min(first + DAYS_A_FILE) * ROWS_A_DAY;
        let file = format!("intervals/month=2030-{:02}/made.parquet", 1 + first / DAYS_A_FILE);
        write(
            dir,
            &file,
            &INTERVALS,
            (0..banks).step_by(BANKS_A_GROUP as usize).map(|bank| {
                let banks = bank..banks.min(bank + BANKS_A_GROUP);
                rows(
                    &INTERVALS,
                    banks.flat_map(|bank| steps.clone().map(move |step| Row { bank, step, number: 0 })),
                )
            }),
        )?;
        files.push(file);
    }
    let events = (0..banks)
        .flat_map(|bank| (0..2 * occurrences(bank)).map(move |number| Row { bank, step: 0, number }));
    write(dir, "events/made.parquet", &EVENTS, std::iter::once(rows(&EVENTS, events)))?;
    let settings = (0..banks).map(|bank| Row { bank, step: 0, number: 0 });
    write(dir, "settings/made.parquet", &SETTINGS, std::iter::once(rows(&SETTINGS, settings)))?;
    files.extend(["events/made.parquet", "settings/made.parquet"].map(str::to_owned));
    let mark = Mark {
        hash: "made".to_owned(),
        source: "made".to_owned(),
        device: "all".to_owned(),
        banks: Vec::new(),
        sequences: Vec::new(),
        records: 0,
        unread: Vec::new(),
        files,
    };
    fs::write(dir.join("logs/made.toml"), toml::to_string(&mark)?)?;
    Ok(u64::from(banks) * u64::from(days) * u64::from(ROWS_A_DAY))
}

/// Bytes of all files.
pub fn bytes(dir: &Path) -> u64 {
    let entries = fs::read_dir(dir).into_iter().flatten().flatten();
    entries
        .map(|entry| {
            if entry.path().is_dir() {
                bytes(&entry.path())
            } else {
                entry.metadata().map_or(0, |file| file.len())
            }
        })
        .sum()
}

fn write(
    dir: &Path,
    file: &str,
    table: &Table,
    groups: impl Iterator<Item = PolarsResult<DataFrame>>,
) -> Result<(), Box<dyn Error>> {
    let path = dir.join(file);
    path.parent().map_or(Ok(()), fs::create_dir_all)?;
    let zstd = ParquetCompression::Zstd(None);
    let mut writer =
        ParquetWriter::new(File::create(path)?).with_compression(zstd).batched(&table.schema())?;
    for group in groups {
        writer.write_batch(&group?)?;
    }
    writer.finish()?;
    Ok(())
}

/// Which row: of a bank, so many ten minutes from the start; the number of an event.
#[derive(Clone, Copy)]
struct Row {
    bank: u32,
    step: u32,
    number: u32,
}

fn rows(table: &Table, rows: impl Iterator<Item = Row> + Clone) -> PolarsResult<DataFrame> {
    let columns = table.columns.iter().map(|(column, kind)| {
        let name: PlSmallStr = (*column).into();
        match kind {
            Kind::Text => {
                let values = rows.clone().map(|row| row.text(column));
                StringChunked::from_iter_options(name, values).into_column()
            }
            Kind::U32 => {
                let values =
                    rows.clone().map(|row| row.whole(column).and_then(|value| u32::try_from(value).ok()));
                UInt32Chunked::from_iter_options(name, values).into_column()
            }
            Kind::U64 => UInt64Chunked::from_iter_options(name, rows.clone().map(|row| row.whole(column)))
                .into_column(),
            Kind::F64 => Float64Chunked::from_iter_options(name, rows.clone().map(|row| row.real(column)))
                .into_column(),
            Kind::Time => {
                let ms = Int64Chunked::from_iter_options(name, rows.clone().map(|row| row.ms(column)));
                ms.into_datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)).into_column()
            }
        }
    });
    DataFrame::new_infer_height(columns.collect())
}

/// Sags, and at every tenth bank a fuse that blows.
fn occurrences(bank: u32) -> u32 {
    10 + u32::from(bank.is_multiple_of(10))
}

fn name(bank: u32) -> String {
    format!("Bank {bank:04}")
}

impl Row {
    /// Between −1 and 1, another for each use.
    fn vary(self, which: u64) -> f64 {
        let mixed = ((u64::from(self.bank) << 32) + u64::from(self.step) * 16 + which)
            .wrapping_mul(0x9E37_79B9_7F4A_7C15);
        (mixed >> 40) as f64 / 8_388_608.0 - 1.0
    }

    /// From 0 at night to 1 in the evening.
    fn load(self) -> f64 {
        0.5 - 0.5 * ((f64::from(self.step) / f64::from(ROWS_A_DAY) - 0.15) * TAU).cos()
    }

    fn is_fuse(self) -> bool {
        self.number / 2 == 10
    }

    /// When an event began: a fuse halfway through the first month, the others a fortnight apart.
    fn begin(self) -> u64 {
        if self.is_fuse() {
            15 * u64::from(ROWS_A_DAY)
        } else {
            u64::from(1 + self.number / 2) * 14 * u64::from(ROWS_A_DAY)
        }
    }

    fn text(self, column: &str) -> Option<String> {
        let text = match column {
            "device" => return Some(format!("L{:04}", self.bank)),
            "bank" => return Some(name(self.bank)),
            "time_quality" => "corrected",
            "common_basis" => "nameplate",
            "state" => "closed",
            "bank_phases" => "ABC",
            "condition" if self.is_fuse() => "blown_fuse",
            "condition" => "sag",
            "route" if self.is_fuse() => "crew",
            "route" => "log_only",
            "change" if self.number.is_multiple_of(2) => "detected",
            "change" if self.is_fuse() => "announced",
            "change" => "ended",
            "phases" if self.is_fuse() => "B",
            "phases" => "ABC",
            "causes" if self.is_fuse() => "fuse_operated",
            _ => return None,
        };
        Some(text.to_owned())
    }

    fn whole(self, column: &str) -> Option<u64> {
        let is_flagged = self.vary(9) > 0.996;
        Some(match column {
            "sequence" => u64::from(self.step) + u64::from(self.number),
            "boot" | "units_per_phase" => 1,
            "frame" => {
                (u64::from(self.step) + 1) * FRAMES + if self.step == 0 { self.begin() * FRAMES } else { 0 }
            }
            "windows" => 3000,
            "flagged" => u64::from(is_flagged),
            "occurrence" => u64::from(self.number / 2) + 1,
            "begin_frame" => self.begin() * FRAMES,
            "end_frame" if self.number % 2 == 1 && !self.is_fuse() => self.begin() * FRAMES + 4800,
            _ => return None,
        })
    }

    fn ms(self, column: &str) -> Option<i64> {
        match column {
            "time" | "time_logger" => Some(START_MS + (i64::from(self.step) + 1) * 600_000),
            "begin_time" => Some(START_MS + i64::try_from(self.begin()).unwrap_or(0) * 600_000),
            "end_time" if self.number % 2 == 1 && !self.is_fuse() => {
                Some(START_MS + i64::try_from(self.begin()).unwrap_or(0) * 600_000 + 1000)
            }
            _ => None,
        }
    }

    /// In steps such as the logger's quantities have: what is written compresses as a log's would.
    fn real(self, column: &str) -> Option<f64> {
        let rounded = |value: f64, steps: f64| Some((value * steps).round() / steps);
        let volts = |which: u64| 7200.0 * (1.03 - 0.035 * self.load() + 0.004 * self.vary(which));
        let has_fuse = !(self.bank.is_multiple_of(10) && self.step > 15 * ROWS_A_DAY);
        match column {
            "time_error_s" => rounded(0.3, 10.0),
            "interval_s" => Some(600.0),
            "frequency_hz" => rounded(60.0 + 0.02 * self.vary(0), 1000.0),
            "voltage_a_v" => rounded(volts(1), 10.0),
            "voltage_b_v" => rounded(volts(2), 10.0),
            "voltage_c_v" => rounded(volts(3), 10.0),
            "voltage_min_a_v" => rounded(volts(1) - 9.0, 10.0),
            "voltage_min_b_v" => rounded(volts(2) - 9.0, 10.0),
            "voltage_min_c_v" => rounded(volts(3) - 9.0, 10.0),
            "voltage_max_a_v" => rounded(volts(1) + 8.0, 10.0),
            "voltage_max_b_v" => rounded(volts(2) + 8.0, 10.0),
            "voltage_max_c_v" => rounded(volts(3) + 8.0, 10.0),
            "neutral_a" | "neutral_max_a" => rounded(1.2 + 0.4 * self.vary(4), 100.0),
            "neutral_min_a" => rounded(1.0 + 0.4 * self.vary(4), 100.0),
            "residual_pu" | "residual_phasor_pu" => {
                rounded(if has_fuse { 0.01 } else { 1.0 } + 0.004 * self.vary(5), 1000.0)
            }
            "neutral_phasor_pu" => rounded(0.05 + 0.02 * self.vary(4), 1000.0),
            "neutral_phasor_deg" | "residual_phasor_deg" => rounded(60.0 + 40.0 * self.vary(6), 10.0),
            "u2_percent" | "nema_percent" => rounded(0.4 + 0.6 * self.load() + 0.1 * self.vary(7), 100.0),
            "u0_percent" => rounded(0.6 + 0.8 * self.load() + 0.1 * self.vary(8), 100.0),
            "connected_b" | "kvar_b" if !has_fuse => Some(0.0),
            "connected_a" | "connected_b" | "connected_c" => rounded(1.0 + 0.003 * self.vary(10), 1000.0),
            "difference_sigma_pu" => Some(0.008),
            "common_sigma_pu" => Some(0.05),
            "rated_kvar_phase" => Some(200.0),
            "rated_kvar" => Some(600.0),
            "system_voltage_v" => Some(12_470.0),
            "unit_voltage_v" => Some(7200.0),
            "rated_hz" => Some(60.0),
            "kvar_a" | "kvar_b" | "kvar_c" => {
                rounded(200.0 * (volts(1) / 7200.0) * (volts(1) / 7200.0), 100.0)
            }
            "fraction" if self.is_fuse() => Some(1.0),
            _ => None,
        }
    }
}
