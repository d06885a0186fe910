//! Reads a store of wyelog with polars alone: what each bank delivered in each month, as CSV. The schema is host/STORE.md.
//!
//! `cargo run -p wyelog-desk-tests --example read_store -- STORE`

use std::error::Error;
use std::path::{Path, PathBuf};

use polars::prelude::*;

fn main() -> Result<(), Box<dyn Error>> {
    let store = std::env::args().nth(1).ok_or("usage: read_store STORE")?;
    let mut args = ScanArgsParquet { glob: false, ..ScanArgsParquet::default() };
    // The month is in the path and, as time, in the rows.
    args.hive_options.enabled = Some(false);
    let files = files(Path::new(&store), "intervals/")?;
    let files = files.iter().map(|file| file.to_string_lossy().as_ref().into()).collect();
    let intervals = LazyFrame::scan_parquet_files(files, args)?;

    // A window is 10 or 12 cycles: 0.2 s at the rated frequency. Intervals in which the capacitance was not known have null.
    let hours =
        col("windows").cast(DataType::Float64) * lit(0.2 / 3600.0) * col("rated_hz") / col("frequency_hz");
    let kvar = col("kvar_a") + col("kvar_b") + col("kvar_c");
    // An interval belongs to the month in which it began: its time is its end.
    let began =
        (col("time").cast(DataType::Int64) - lit(1)).cast(DataType::Datetime(TimeUnit::Milliseconds, None));
    let sums = intervals
        .select([col("bank"), began.dt().strftime("%Y-%m").alias("month"), (kvar * hours).alias("kvarh")])
        .group_by([col("bank"), col("month")])
        .agg([col("kvarh").sum()])
        .sort(["bank", "month"], SortMultipleOptions::default())
        .collect()?;

    println!("bank,month,kvarh");
    let (banks, months) = (sums.column("bank")?.str()?, sums.column("month")?.str()?);
    for ((bank, month), kvarh) in banks.iter().zip(months.iter()).zip(sums.column("kvarh")?.f64()?.iter()) {
        println!("{},{},{:.1}", bank.unwrap_or_default(), month.unwrap_or("unknown"), kvarh.unwrap_or(0.0));
    }
    Ok(())
}

/// Files of a table: only those that a log's mark names count.
fn files(store: &Path, table: &str) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let mut marks: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(store.join("logs"))? {
        marks.push(entry?.path());
    }
    let is_mark =
        |path: &PathBuf| path.file_name().is_some_and(|name| !name.to_string_lossy().starts_with('_'));
    marks.retain(is_mark);
    marks.sort();
    let mut found = Vec::new();
    for mark in marks {
        let mark: toml::Table = std::fs::read_to_string(mark)?.parse()?;
        let names = mark.get("files").and_then(toml::Value::as_array).into_iter().flatten();
        let names = names.filter_map(toml::Value::as_str).filter(|name| name.starts_with(table));
        found.extend(names.map(|name| store.join(name)));
    }
    Ok(found)
}
