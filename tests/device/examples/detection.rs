//! How well faults are found and named: `cargo run --release -p wyelog-device-tests --example detection`.
//!
//! ```text
//! --records N   so many records (2400)
//! --seed S      another study (1)
//! --years Y     so many bank-years of health (30); they take most of the time: 0 leaves out all but the records
//! --attacked N  so many records of each kind of worse sensor or feeder (200); with --records 0 these alone
//! --row NUMBER  this kind alone, counted from 0
//! --one INDEX   one record alone: its scenario, what happened, what was said
//! --write       puts tables and pictures into firmware/DETECTION.md and beside it
//! ```

use std::process::ExitCode;
use std::time::Instant;

use wyelog_device_tests::detection::heard::seconds;
use wyelog_device_tests::detection::numbers::{against_a_baseline, numbers, table};
use wyelog_device_tests::detection::record::Drawn;
use wyelog_device_tests::detection::report::Report;
use wyelog_device_tests::detection::{another_day, attack, curve, curve_plot, matrix, study, years};
use wyelog_device_tests::measurement::document::DETECTION;

/// Records of each attack: three truths of each, so that one in a thousand can be seen to lie outside.
const ATTACKED: usize = 400;
/// Scenarios of ten days, and records of each size, for a point of the curve.
const CURVE: (usize, usize) = (6, 40);

/// What the command line says.
struct Options {
    records: usize,
    seed: u64,
    years: f64,
    attacked: usize,
    row: Option<usize>,
    one: Option<usize>,
    write: bool,
}

impl Options {
    fn read() -> Result<Self, String> {
        let mut options = Self {
            records: 2400,
            seed: 1,
            years: 30.0,
            attacked: ATTACKED,
            row: None,
            one: None,
            write: false,
        };
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            let mut number = || {
                let value = words.next().ok_or_else(|| format!("{word} needs a number"))?;
                value.parse::<u32>().map_err(|error| format!("{word} {value}: {error}"))
            };
            match word.as_str() {
                "--records" => options.records = number()? as usize,
                "--seed" => options.seed = u64::from(number()?),
                "--years" => options.years = f64::from(number()?),
                "--attacked" => options.attacked = number()? as usize,
                "--row" => options.row = Some(number()? as usize),
                "--one" => options.one = Some(number()? as usize),
                "--write" => options.write = true,
                _ => {
                    let known = "--records, --seed, --years, --attacked, --row, --one, --write";
                    return Err(format!("unknown: {word}; there are {known}"));
                }
            }
        }
        if options.write && options.years == 0.0 {
            return Err("--write needs the years: not with --years 0".to_owned());
        }
        Ok(options)
    }

    fn command(&self) -> String {
        format!(
            "cargo run --release -p wyelog-device-tests --example detection -- --records {} --seed {} --years {}",
            self.records, self.seed, self.years
        )
    }
}

fn main() -> ExitCode {
    let options = match Options::read() {
        Ok(options) => options,
        Err(error) => {
            eprintln!("{error}");
            return ExitCode::from(2);
        }
    };
    if let Some(index) = options.one {
        tell(options.seed, index);
        return ExitCode::SUCCESS;
    }
    let start = Instant::now();
    if options.records == 0 || options.row.is_some() {
        let rows = match options.row {
            Some(row) => attack::ATTACKS.get(row..row.saturating_add(1)).unwrap_or_default(),
            None => &attack::ATTACKS,
        };
        println!("{}", attack::table(&attack::rows(options.seed, options.attacked, rows)));
        return ExitCode::SUCCESS;
    }
    let judged = study::run(options.seed, options.records);
    if options.years == 0.0 {
        let mut rows = numbers(&judged);
        rows.push(against_a_baseline(&another_day::changes(options.seed, another_day::BANKS)));
        println!("{}", table(&rows));
        for complaint in judged.iter().filter_map(|one| one.complaint(options.seed)) {
            println!("{complaint}");
        }
        return ExitCode::SUCCESS;
    }
    let (months, records) = CURVE;
    let report = Report {
        seed: options.seed,
        judged,
        another_day: another_day::changes(options.seed, another_day::BANKS),
        attacks: attack::rows(options.seed, options.attacked, &attack::ATTACKS),
        years: years::run(options.seed, options.years),
        points: curve::points(options.seed, months, records),
    };
    let text = report.text(&options.command());
    println!("{text}\n{:.0} s", start.elapsed().as_secs_f64());
    let pictures = [
        ("detection-matrix.svg", matrix::svg(&report.judged)),
        ("detection-curve.svg", curve_plot::svg(&report.points)),
    ];
    if options.write
        && let Err(error) = DETECTION.write(&text, &pictures)
    {
        eprintln!("{error}");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}

/// One record in full.
fn tell(seed: u64, index: usize) {
    let drawn = Drawn::new(seed, index);
    let (heard, verdict) = drawn.play();
    println!("{}", drawn.toml);
    println!("what happened:");
    for event in drawn.scenario().truth().events {
        println!("{:9.4} s  {:?} of {}, y {:+.4}", event.at_s, event.what, event.phases, event.fraction);
    }
    println!("what was said:");
    for event in &heard.events {
        let phases: String = event.phases.letters().collect();
        let causes: Vec<&str> = event.causes.iter().map(|cause| cause.name()).collect();
        println!(
            "{:9.4} s  {} {} {phases}, since {:.4} s, {:+.4}: {}; {} ∠{:?}, y {:?} → {:?}",
            seconds(event.stamp.frame),
            event.condition.name(),
            event.change.name(),
            seconds(event.begin.frame),
            event.fraction.value_f64().unwrap_or(f64::NAN),
            causes.join(", "),
            event.evidence.residual.value_f64().unwrap_or(f64::NAN),
            event.evidence.residual_angle.value_f64(),
            event.evidence.connected_before.map(|y| y.value_f64().unwrap_or(f64::NAN)),
            event.evidence.connected_after.map(|y| y.value_f64().unwrap_or(f64::NAN)),
        );
    }
    println!("what is known at the end: {:?}\n{verdict:#?}", heard.last());
}
