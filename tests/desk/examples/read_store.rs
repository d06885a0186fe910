//! Reads a store of wyelog with polars alone: what each bank delivered in each month, as CSV. The schema is host/STORE.md.
//!
//! `cargo run -p wyelog-desk-tests --example read_store -- STORE`

use std::collections::BTreeSet;
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

/// Files of a table: those count that a log's mark or a manifest of compaction names, but for those that a manifest replaces.
fn files(store: &Path, table: &str) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let (mut named, mut replaced) = (BTreeSet::new(), BTreeSet::new());
    for path in contents(&store.join("logs"))?.into_iter().chain(contents(&store.join("compacted"))?) {
        let content: toml::Table = std::fs::read_to_string(path)?.parse()?;
        for (key, names) in [("files", &mut named), ("replaces", &mut replaced)] {
            let files = content.get(key).and_then(toml::Value::as_array).into_iter().flatten();
            names.extend(files.filter_map(toml::Value::as_str).map(str::to_owned));
        }
    }
    let live = named.difference(&replaced).filter(|name| name.starts_with(table));
    Ok(live.map(|name| store.join(name)).collect())
}

/// Files of a folder that are not being written; a store in which nothing was compacted yet has no folder for that.
fn contents(folder: &Path) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let mut paths = Vec::new();
    if folder.is_dir() {
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            if !entry.file_name().to_string_lossy().starts_with('_') {
                paths.push(entry.path());
            }
        }
    }
    Ok(paths)
}
