//! How fast questions are answered:
//! `cargo run --release -p wyelog-desk-tests --example question_rate [BANKS [DAYS [QUESTION…]]] [--ours] [--in DIR]`.
//!
//! A store of so many banks, a row of intervals and a row of spectra each ten minutes, is fabricated as Parquet in the store's
//! format (1000 banks for 365 days: 52.6 million rows of each, some 5 GB), for the time of the run or in DIR, where it stays and
//! is taken again. Each question is asked twice, and so is the same question as a plain query of polars over the same files, in
//! turn; the faster of both counts. `--ours` leaves the plain ones out: some need more memory than there may be, and what they
//! took stays with the program. Memory is what was resident, with the files that were mapped. Nothing fails when it is slow.

mod fabricated;
mod plain;

use std::error::Error;
use std::path::PathBuf;
use std::time::Instant;

use polars::prelude::DataFrame;
use wyelog::analysis::Filter;
use wyelog::analysis::alarm_book::alarm_book;
use wyelog::analysis::alarm_rates::alarm_rates;
use wyelog::analysis::certificate::certificate;
use wyelog::analysis::feeder_events::feeder_events;
use wyelog::analysis::fleet::fleet;
use wyelog::analysis::kvar::{LIMIT_PU, kvar_with};
use wyelog::analysis::quality::quality;
use wyelog::analysis::stress::stress;
use wyelog::analysis::switching::switching;
use wyelog::analysis::unbalance::{EN_50160_U2_PERCENT, unbalance_by_weeks};
use wyelog::analysis::usage::{Levels, usage};
use wyelog::analysis::whatif::{Limit, whatif};
use wyelog::analysis::worklist::items;
use wyelog::store::{Store, StoreError};

/// Asks and gives the number of rows of the answer.
type Ask = fn(&Store) -> Result<usize, Box<dyn Error>>;

/// Every question: its command, what that asks, and how a plain query does, where there is one.
const QUESTIONS: &[(&str, Ask, Option<Ask>)] = &[
    (
        "unbalance",
        |store| rows(unbalance_by_weeks(store, &all(), EN_50160_U2_PERCENT)),
        Some(plain::unbalance),
    ),
    ("kvar", |store| rows(kvar_with(store, &all(), LIMIT_PU)), Some(plain::kvar)),
    ("alarms", |store| rows(alarm_book(store, &all())), Some(plain::alarms)),
    ("alarm-rates", |store| rows(alarm_rates(store, &all())), None),
    ("feeder-events", |store| rows(feeder_events(store, &all())), None),
    ("switching", |store| rows(switching(store, &all(), Some(10_000))), Some(plain::switching)),
    ("stress", |store| rows(stress(store, &all())), Some(plain::stress)),
    ("usage", |store| rows(usage(store, &all(), Levels::default())), Some(plain::usage)),
    ("whatif", |store| rows(whatif(store, &all(), LIMITS)), Some(plain::whatif)),
    ("quality", |store| rows(quality(store, &all())), Some(plain::quality)),
    ("worklist", |store| Ok(items(store, &all())?.len()), None),
    ("fleet", |store| Ok(fleet(store, &all())?.len()), None),
    ("certificate", |store| Ok(usize::from(certificate(store, "Bank 0000", (None, None))?.is_some())), None),
];

/// What to try.
const LIMITS: &[Limit] =
    &[Limit { residual_pu: 0.25, persistence_s: 60.0 }, Limit { residual_pu: 0.5, persistence_s: 600.0 }];

fn all() -> Filter {
    Filter::default()
}

fn rows(answer: Result<DataFrame, StoreError>) -> Result<usize, Box<dyn Error>> {
    Ok(answer?.height())
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    let kept = words.iter().position(|word| word == "--in").map(|at| words.split_off(at));
    let kept = kept.and_then(|kept| kept.into_iter().nth(1)).map(PathBuf::from);
    let is_alone = words.iter().any(|word| word == "--ours");
    let mut words = words.into_iter().filter(|word| word != "--ours");
    let mut number = |otherwise: u32| words.next().map_or(Ok(otherwise), |word| word.parse());
    let (banks, days) = (number(100)?, number(365)?);
    let wanted: Vec<String> = words.collect();
    let temporary = tempfile::tempdir()?;
    let folder = kept.unwrap_or_else(|| temporary.path().to_owned());
    let rows = f64::from(banks) * f64::from(days) * f64::from(fabricated::ROWS_A_DAY);
    let start = Instant::now();
    if !folder.join("logs/made.toml").exists() {
        fabricated::store(&folder, banks, days)?;
    }
    println!(
        "{banks} banks, {days} days: {:.1} million rows of intervals, {:.0} MB, made in {:.0} s",
        rows / 1e6,
        fabricated::bytes(&folder) as f64 / 1e6,
        start.elapsed().as_secs_f64()
    );
    let store = Store::open(&folder)?;
    println!(
        "{:<14}{:>9}{:>11}{:>10}{:>10}{:>13}{:>13}",
        "", "rows", "ours s", "plain s", "ratio", "ours MB", "plain MB"
    );
    for (name, ours, plain) in QUESTIONS {
        if !wanted.is_empty() && !wanted.iter().any(|one| one == name) {
            continue;
        }
        let mut best = [Measured::default(); 2];
        for _ in 0..2 {
            if let Some(plain) = (*plain).filter(|_| !is_alone) {
                best[1].better(measure(plain, &store)?);
            }
            best[0].better(measure(*ours, &store)?);
        }
        let [ours, plain] = best;
        let or_dash = |there: bool, text: String| if there { text } else { "-".to_owned() };
        println!(
            "{name:<14}{:>9}{:>11.2}{:>10}{:>10}{:>13}{:>13}",
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
