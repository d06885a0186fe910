//! How fast logs become tables: `cargo run --release -p wyelog-desk-tests --example ingest_rate [DAYS]`.
//!
//! The logs are those of the demo's fleet. The baseline, in the same run, is reading and decoding them alone. Nothing fails when it
//! is slow.

use std::error::Error;
use std::path::PathBuf;
use std::time::Instant;

use polars::prelude::{col, len};
use wyelog::log::Log;
use wyelog::store::{INTERVALS, Store, collect_files};
use wyelog::{demo, number};

fn main() -> Result<(), Box<dyn Error>> {
    let days: u16 = std::env::args().nth(1).map_or(Ok(14), |days| days.parse())?;
    let folder = tempfile::tempdir()?;
    demo::clear(folder.path())?;
    demo::play(&demo::fleet(days)?, days, folder.path(), &|_| {})?;
    let mut logs: Vec<PathBuf> = Vec::new();
    collect_files(&folder.path().join("logs"), &mut logs);
    let mut bytes = 0;
    for log in &logs {
        bytes += log.metadata()?.len();
    }
    println!("{} of the demo's fleet, {:.1} MB", number::count(logs.len() as u64, "log"), bytes as f64 / 1e6);

    let start = Instant::now();
    let mut records = 0;
    for log in &logs {
        records += Log::read(log)?.records.len();
    }
    report("reading and decoding alone", records, start);

    let start = Instant::now();
    let mut store = Store::open_or_create(&folder.path().join("again"))?;
    store.writer()?.ingest_all(&logs, &mut |_| {})?;
    report("ingest", records, start);

    let rows = Store::open(&folder.path().join("again"))?.scan(&INTERVALS)?;
    let rows = rows.select([len().alias("rows"), col("bank").n_unique().alias("banks")]).collect()?;
    println!("in the store: {rows}");
    // Linux says how much memory this program has had at most.
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let most = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    println!("memory at most, the simulation included: {}", most.unwrap_or(" not known here").trim());
    Ok(())
}

fn report(what: &str, records: usize, start: Instant) {
    let seconds = start.elapsed().as_secs_f64();
    println!("{what:<28}{records:>9} records in {seconds:6.2} s: {:>9.0} a second", records as f64 / seconds);
}
