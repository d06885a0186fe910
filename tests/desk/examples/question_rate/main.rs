//! How fast questions are answered: `cargo run --release -p wyelog-desk-tests --example question_rate [BANKS [DAYS]]`.
//!
//! A store of so many banks, a row each ten minutes, is fabricated as Parquet in the store's format (1000 banks for 365 days: 52.6
//! million rows, some 1 GB for the time of the run). Each question is asked twice, and so is the same question as a plain
//! query of polars over the same files, in turn; the faster of both counts. Nothing fails when it is slow.

mod fabricated;
mod plain;

use std::error::Error;
use std::time::Instant;

use wyelog::analysis::{
    Filter, alarm_history::alarm_history, fleet::fleet, kvar::kvar, unbalance::unbalance,
};
use wyelog::store::{Store, StoreError};

/// Asks and gives the number of rows of the answer.
type Ask = fn(&Store) -> Result<usize, Box<dyn Error>>;

/// Every question: its name, how we answer it, and how a plain query does, where there is one.
const QUESTIONS: &[(&str, Ask, Option<Ask>)] = &[
    ("unbalance", |store| rows(unbalance(store, &all())), Some(plain::unbalance)),
    ("kvar", |store| rows(kvar(store, &all())), Some(plain::kvar)),
    ("alarms", |store| rows(alarm_history(store, &all())), Some(plain::alarms)),
    ("fleet", |store| Ok(fleet(store, &all())?.len()), None),
];

fn all() -> Filter {
    Filter::default()
}

fn rows(answer: Result<polars::prelude::DataFrame, StoreError>) -> Result<usize, Box<dyn Error>> {
    Ok(answer?.height())
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let mut number = |otherwise: u32| words.next().map_or(Ok(otherwise), |word| word.parse());
    let (banks, days) = (number(100)?, number(365)?);
    let folder = tempfile::tempdir()?;
    let start = Instant::now();
    let rows = fabricated::store(folder.path(), banks, days)?;
    let bytes = fabricated::bytes(folder.path());
    println!(
        "{banks} banks, {days} days: {:.1} million rows of intervals, {:.0} MB, made in {:.0} s",
        rows as f64 / 1e6,
        bytes as f64 / 1e6,
        start.elapsed().as_secs_f64()
    );
    let store = Store::open(folder.path())?;
    println!(
        "{:<12}{:>9}{:>11}{:>10}{:>10}{:>13}{:>13}",
        "", "rows", "ours s", "plain s", "ratio", "ours MB", "plain MB"
    );
    for (name, ours, plain) in QUESTIONS {
        let mut best = [Measured::default(); 2];
        for _ in 0..2 {
            if let Some(plain) = plain {
                best[1].better(measure(*plain, &store)?);
            }
            best[0].better(measure(*ours, &store)?);
        }
        let [ours, plain] = best;
        let or_dash = |there: bool, text: String| if there { text } else { "-".to_owned() };
        println!(
            "{name:<12}{:>9}{:>11.2}{:>10}{:>10}{:>13}{:>13}",
            ours.rows,
            ours.seconds,
            or_dash(plain.rows > 0, format!("{:.2}", plain.seconds)),
            or_dash(plain.rows > 0, format!("{:.2}", ours.seconds / plain.seconds)),
            or_dash(ours.most_mb > 0, ours.most_mb.to_string()),
            or_dash(plain.most_mb > 0, plain.most_mb.to_string()),
        );
        // The same question has as many rows either way, or the ratio says nothing.
        if plain.rows > 0 && plain.rows != ours.rows {
            println!("{name}: the plain query gives {} rows, not {}", plain.rows, ours.rows);
        }
    }
    Ok(())
}

#[derive(Clone, Copy, Default)]
struct Measured {
    rows: usize,
    seconds: f64,
    /// Memory at most; 0 where the system does not tell.
    most_mb: u64,
}

impl Measured {
    fn better(&mut self, other: Self) {
        if self.rows == 0 || other.seconds < self.seconds {
            *self = other;
        }
    }
}

fn measure(ask: Ask, store: &Store) -> Result<Measured, Box<dyn Error>> {
    // On Linux: from now on.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
    let start = Instant::now();
    let rows = ask(store)?;
    let seconds = start.elapsed().as_secs_f64();
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let most = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let most = most.and_then(|text| text.trim().trim_end_matches("kB").trim().parse::<u64>().ok());
    Ok(Measured { rows, seconds, most_mb: most.unwrap_or(0) / 1024 })
}
