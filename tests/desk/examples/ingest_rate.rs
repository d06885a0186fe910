//! How fast logs become tables: `cargo run --release -p wyelog-desk-tests --example ingest_rate [BANKS [DAYS]]`.
//!
//! The logs are of invented banks, a row a minute. Beside it, in the same run and on the same table of intervals: polars
//! turning it from CSV into Parquet, and polars writing it from memory; each five times, in turn, of which the medians count. Then
//! ten times the logs, and how long it takes to put the files together. Nothing fails when it is slow.

use std::error::Error;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Instant;

use polars::polars_utils::compression::ZstdLevel;
use polars::prelude::{
    CsvWriter, DataFrame, LazyCsvReader, LazyFileListReader, ParquetCompression, ParquetWriter, PlRefPath,
    SerWriter, col,
};
use wyelog::number;
use wyelog::store::{Compaction, INTERVALS, Store, collect_files};
use wyelog_desk_tests::fabricate::{Fabricated, Story};

/// How often what takes a second is done.
const TIMES: usize = 5;

fn main() -> Result<(), Box<dyn Error>> {
    let mut numbers = std::env::args().skip(1);
    let banks: u64 = numbers.next().map_or(Ok(12), |text| text.parse())?;
    let days: u64 = numbers.next().map_or(Ok(30), |text| text.parse())?;
    let folder = tempfile::tempdir()?;
    let folder = folder.path();
    let once = logs(&folder.join("once"), banks, days)?;
    let ten = logs(&folder.join("ten"), banks * 10, days)?;

    let (store, csv) = (folder.join("store"), folder.join("table.csv"));
    let (_, rows) = ingest(&store, &once)?;
    println!("  memory at most {}", high_water());
    let table = Store::open(&store)?.scan(&INTERVALS)?;
    let columns: Vec<_> = INTERVALS.columns.iter().map(|(name, _)| col(*name)).collect();
    let mut table = table.select(columns).collect()?;
    CsvWriter::new(File::create(&csv)?).include_header(true).finish(&mut table)?;

    let mut seconds = [const { Vec::new() }; 3];
    for _ in 0..TIMES {
        fs::remove_dir_all(&store)?;
        let [of_ingest, of_csv, of_memory] = &mut seconds;
        of_ingest.push(ingest(&store, &once)?.0);
        let start = Instant::now();
        let reader = LazyCsvReader::new(PlRefPath::new(&*csv.to_string_lossy()));
        let reader = reader.with_infer_schema_length(Some(10_000)).with_try_parse_dates(true);
        write(&folder.join("from_csv.parquet"), &mut reader.finish()?.collect()?)?;
        of_csv.push(start.elapsed().as_secs_f64());
        let start = Instant::now();
        write(&folder.join("from_memory.parquet"), &mut table)?;
        of_memory.push(start.elapsed().as_secs_f64());
    }
    let [seconds, of_csv, of_memory] = seconds.map(middle);
    let ingested = report("ingest", rows, seconds);
    let of_csv = report("polars, CSV to Parquet", rows, of_csv);
    let of_memory = report("polars, memory to Parquet", rows, of_memory);
    println!(
        "ingest is {:.2} of CSV to Parquet, {:.2} of memory to Parquet",
        ingested / of_csv,
        ingested / of_memory
    );
    drop(table);

    forget_high_water();
    let (longer, rows) = ingest(&folder.join("store_of_ten"), &ten)?;
    report("ingest of ten times", rows, longer);
    println!("  {:.2} times as long; memory at most {}", longer / seconds, high_water());
    forget_high_water();
    let start = Instant::now();
    let mut store = Store::open(&folder.join("store_of_ten"))?;
    store.writer()?.compact(&Compaction::NOW, &mut |one| {
        let ((files, bytes), (made, size)) = (one.before, one.after);
        let mb = |bytes: u64| bytes as f64 / 1e6;
        println!("  {}: {files} files, {:.1} MB, made {made}, {:.1} MB", one.folder, mb(bytes), mb(size));
    })?;
    report("compaction of these", rows, start.elapsed().as_secs_f64());
    println!("  memory at most {}", high_water());
    Ok(())
}

fn logs(folder: &Path, banks: u64, days: u64) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    fs::create_dir(folder)?;
    for number in 0..banks {
        let (serial, bank) = (format!("L{number:05}"), format!("Bank {number:05}"));
        let story = Story::BlownFuse { phase: 1, at: days * 700, until: None };
        let log = Fabricated { serial: &serial, bank: &bank, interval_s: 60, intervals: days * 1440, story };
        fs::write(folder.join(format!("{serial}.log")), log.log())?;
    }
    let mut logs = Vec::new();
    collect_files(folder, &mut logs);
    let bytes = logs.iter().map(|log| log.metadata().map_or(0, |file| file.len())).sum::<u64>();
    println!("{} of {days} days, {:.1} MB", number::count(banks, "log"), bytes as f64 / 1e6);
    Ok(logs)
}

/// The median of an odd number of them.
fn middle(mut seconds: Vec<f64>) -> f64 {
    seconds.sort_by(f64::total_cmp);
    seconds.get(seconds.len() / 2).copied().unwrap_or_default()
}

/// Seconds it took, and rows of intervals.
fn ingest(folder: &Path, logs: &[PathBuf]) -> Result<(f64, usize), Box<dyn Error>> {
    let start = Instant::now();
    let mut store = Store::open_or_create(folder)?;
    store.writer()?.ingest_all(logs, &mut |_| {})?;
    let seconds = start.elapsed().as_secs_f64();
    Ok((seconds, store.scan(&INTERVALS)?.select([col("frame")]).collect()?.height()))
}

/// As ingest writes a file.
fn write(path: &Path, frame: &mut DataFrame) -> Result<(), Box<dyn Error>> {
    let mut file = File::create(path)?;
    let zstd = ParquetCompression::Zstd(Some(ZstdLevel::try_new(1)?));
    ParquetWriter::new(&mut file).with_compression(zstd).finish(frame)?;
    Ok(file.sync_all()?)
}

/// Rows a second.
fn report(what: &str, rows: usize, seconds: f64) -> f64 {
    let rate = rows as f64 / seconds;
    println!("{what:<28}{rows:>9} rows in {seconds:6.2} s: {rate:>9.0} a second");
    rate
}

/// Linux says how much memory this program has had at most.
fn high_water() -> String {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let most = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    most.map_or_else(|| "not known here".to_owned(), |most| most.trim().to_owned())
}

fn forget_high_water() {
    // Where that cannot be, the number is that of the whole run.
    let _ = fs::write("/proc/self/clear_refs", "5");
}
