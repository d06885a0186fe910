//! How exact the measurement is: `cargo run -p wyelog-device-tests --example measurement`.
//!
//! Prints the table of the sweep; with `--write` also draws `firmware/measurement.svg` and puts the table into
//! `firmware/MEASUREMENT.md`.

use std::process::ExitCode;
use std::time::Instant;

use wyelog_device_tests::measurement::{document, plot, report, sag, sweep};

fn main() -> ExitCode {
    let write = match std::env::args().skip(1).collect::<Vec<_>>().as_slice() {
        [] => false,
        [word] if word == "--write" => true,
        words => {
            eprintln!("unknown: {}; there is only --write", words.join(" "));
            return ExitCode::from(2);
        }
    };
    let start = Instant::now();
    let points = sweep::steady_points(1);
    let table = report::table(&points, &sag::sweep(1), &sweep::disturbed(1));
    println!("{table}");
    println!("{:.0} s on one core", start.elapsed().as_secs_f64());
    if write
        && let Err(error) = document::MEASUREMENT.write(&table, &[("measurement.svg", plot::svg(&points))])
    {
        eprintln!("{error}");
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
