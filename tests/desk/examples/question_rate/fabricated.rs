//! A store of invented banks, made column by column: no logs behind it.

mod row;

use std::error::Error;
use std::fs::{self, File};
use std::path::Path;
use std::thread;

use polars::polars_utils::compression::ZstdLevel;
use polars::prelude::*;
use wyelog::store::{
    BASELINES, DAYS, EVENTS, INTERVALS, Kind, Mark, OPERATIONS, SETTINGS, SPECTRA, STATUS, Store, Table,
    Whose, days_of,
};

pub use row::ROWS_A_DAY;
use row::{Row, name};

/// Days of a file.
const DAYS_A_FILE: u32 = 30;
/// Banks of a row group: of some 65,000 rows, as compaction makes them.
const BANKS_A_GROUP: u32 = 15;

/// Makes it, with as many rows of spectra as of intervals.
pub fn store(dir: &Path, banks: u32, days: u32) -> Result<(), Box<dyn Error>> {
    drop(Store::open_or_create(dir)?);
    fs::create_dir_all(dir.join("logs"))?;
    let register: Vec<(String, String)> =
        (0..banks).map(|bank| (name(bank), format!("Feeder {}", bank / 8))).collect();
    fs::write(dir.join("banks.toml"), wyelog::store::Banks::new(register).text()?)?;
    let (mut files, mut sums) = (Vec::new(), Vec::new());
    for table in [&INTERVALS, &SPECTRA] {
        for first in (0..days).step_by(DAYS_A_FILE as usize) {
            let steps = first * ROWS_A_DAY..days.min(first + DAYS_A_FILE) * ROWS_A_DAY;
            let file = format!("{}/month=2030-{:02}/made.parquet", table.name, 1 + first / DAYS_A_FILE);
            let groups = (0..banks).step_by(BANKS_A_GROUP as usize).map(|bank| {
                let banks = bank..banks.min(bank + BANKS_A_GROUP);
                let of_bank = |bank| steps.clone().map(move |step| Row { bank, step, number: 0 });
                let frame = rows(table, &banks.flat_map(of_bank).collect::<Vec<_>>())?;
                if table.name == INTERVALS.name {
                    sums.push(days_of(frame.clone().lazy()).collect()?.lazy());
                }
                Ok(frame)
            });
            write(dir, &file, table, groups)?;
            files.push(file);
        }
    }
    let sums = concat(sums, UnionArgs::default())?.sort(["bank", "time"], Default::default()).collect()?;
    files.push(format!("{}/made.parquet", DAYS.name));
    write(dir, files.last().map_or("", String::as_str), &DAYS, std::iter::once(Ok(sums)))?;
    let each = |of: &dyn Fn(u32) -> Vec<Row>| (0..banks).flat_map(of).collect::<Vec<_>>();
    let small: [(&Table, Vec<Row>); 5] = [
        (&EVENTS, each(&row::events)),
        (&OPERATIONS, each(&|bank| row::operations(bank, days))),
        (&STATUS, each(&|bank| row::weekly(bank, days))),
        (&BASELINES, each(&|bank| row::weekly(bank, days))),
        (&SETTINGS, each(&|bank| vec![Row { bank, step: 0, number: 0 }])),
    ];
    for (table, all) in small {
        let file = format!("{}/made.parquet", table.name);
        write(dir, &file, table, std::iter::once(rows(table, &all)))?;
        files.push(file);
    }
    let mark = Mark {
        hash: "made".to_owned(),
        source: "made".to_owned(),
        device: "all".to_owned(),
        whose: Whose::Log,
        banks: Vec::new(),
        sequences: Vec::new(),
        records: 0,
        known: 0,
        unread: Vec::new(),
        files,
    };
    fs::write(dir.join("logs/made.toml"), toml::to_string(&mark)?)?;
    Ok(())
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
    // As compaction writes.
    let zstd = ParquetCompression::Zstd(Some(ZstdLevel::try_new(3)?));
    let mut writer =
        ParquetWriter::new(File::create(path)?).with_compression(zstd).batched(&table.schema())?;
    for group in groups {
        writer.write_batch(&group?)?;
    }
    writer.finish()?;
    Ok(())
}

/// The columns of a table, some at a time on each core.
fn rows(table: &Table, rows: &[Row]) -> PolarsResult<DataFrame> {
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let parts = table.columns.chunks(table.columns.len().div_ceil(cores).max(1));
    let columns = thread::scope(|scope| {
        let of_part = |part: &'static [(&str, Kind)]| {
            scope.spawn(move || part.iter().map(|(name, kind)| column(rows, name, *kind)).collect::<Vec<_>>())
        };
        let parts: Vec<_> = parts.map(of_part).collect();
        parts.into_iter().filter_map(|part| part.join().ok()).flatten().collect::<Vec<_>>()
    });
    DataFrame::new_infer_height(columns)
}

fn column(rows: &[Row], name: &str, kind: Kind) -> Column {
    let label: PlSmallStr = name.into();
    let rows = rows.iter();
    match kind {
        Kind::Text => StringChunked::from_iter_options(label, rows.map(|row| row.text(name))).into_column(),
        Kind::U32 => {
            let whole = |row: &Row| row.whole(name).and_then(|value| u32::try_from(value).ok());
            UInt32Chunked::from_iter_options(label, rows.map(whole)).into_column()
        }
        Kind::U64 => UInt64Chunked::from_iter_options(label, rows.map(|row| row.whole(name))).into_column(),
        Kind::F64 => {
            let real = row::real(name);
            Float64Chunked::from_iter_options(label, rows.map(|row| real(*row))).into_column()
        }
        Kind::Time => Int64Chunked::from_iter_options(label, rows.map(|row| row.ms(name)))
            .into_datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC))
            .into_column(),
    }
}
