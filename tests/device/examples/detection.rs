//! How well faults are found and named: `cargo run --release -p wyelog-device-tests --example detection`.
//!
//! ```text
//! --records N   so many records (2400)
//! --seed S      another study (1)
//! --one INDEX   one record of it alone: its scenario, what happened, what was said
//! ```

use std::process::ExitCode;

use wyelog_device_tests::detection::heard::seconds;
use wyelog_device_tests::detection::record::Drawn;
use wyelog_device_tests::detection::study;

/// What the command line says.
struct Options {
    records: usize,
    seed: u64,
    one: Option<usize>,
}

impl Options {
    fn read() -> Result<Self, String> {
        let mut options = Self { records: 2400, seed: 1, one: None };
        let mut words = std::env::args().skip(1);
        while let Some(word) = words.next() {
            let mut number = || {
                let value = words.next().ok_or_else(|| format!("{word} needs a number"))?;
                value.parse::<u64>().map_err(|error| format!("{word} {value}: {error}"))
            };
            match word.as_str() {
                "--records" => options.records = number()? as usize,
                "--seed" => options.seed = number()?,
                "--one" => options.one = Some(number()? as usize),
                _ => return Err(format!("unknown: {word}; there are --records, --seed, --one")),
            }
        }
        Ok(options)
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
    if std::env::var("SCRATCH").is_ok() {
        let t = std::time::Instant::now();
        println!("{:?}", wyelog_device_tests::detection::years::run(1, 0.3));
        println!("{:?}", t.elapsed());
        let t = std::time::Instant::now();
        println!("{}", wyelog_device_tests::detection::attack::table(&wyelog_device_tests::detection::attack::rows(1, 2)));
        println!("{:?}", t.elapsed());
        let t = std::time::Instant::now();
        println!("{}", wyelog_device_tests::detection::curve::table(&wyelog_device_tests::detection::curve::points(1, 6, 10)));
        println!("{:?}", t.elapsed());
    }
    let judged = study::run(options.seed, options.records);
    if std::env::var("DBG").is_ok() {
    for j in &judged { if let Some(a) = j.verdict.accuracy { if a.change > 0.01 { println!("{} {} {} change {:.4} diff {:.4} basis {:?}", j.index, j.class.name(), j.places.join("/"), a.change, a.difference, a.basis); } } }
    }
    println!("{}", wyelog_device_tests::detection::numbers::table(&wyelog_device_tests::detection::numbers::numbers(&judged)));
    let complaints: Vec<String> = judged.iter().filter_map(|one| one.complaint(options.seed)).collect();
    println!("{} of {} records are not as they should be:", complaints.len(), judged.len());
    for complaint in complaints {
        println!("{complaint}");
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
