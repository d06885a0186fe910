//! Every limit at the worst signal of the sweep.

use std::sync::OnceLock;
use std::thread::available_parallelism;

use wyelog_device_tests::measurement::sag::{self, LIMITS, SagTally};
use wyelog_device_tests::measurement::sweep::{self, Point};
use wyelog_device_tests::measurement::tally::{LINES, Quantity, Tally};
use wyelog_device_tests::measurement::{document, report};

fn threads() -> usize {
    available_parallelism().map_or(1, usize::from)
}

pub fn points() -> &'static [Point] {
    static POINTS: OnceLock<Vec<Point>> = OnceLock::new();
    POINTS.get_or_init(|| sweep::steady_points(threads()))
}

fn sags() -> &'static SagTally {
    static SAGS: OnceLock<SagTally> = OnceLock::new();
    SAGS.get_or_init(|| sag::sweep(threads()))
}

fn worst() -> Tally {
    sweep::worst(points())
}

/// At least so many values were judged, and the worst is within our limit.
#[track_caller]
fn check(quantity: Quantity, values_at_least: u64) {
    let tally = worst();
    let worst = tally.of(quantity);
    let line = &LINES[quantity as usize];
    let reach = line.reach.expect("a quantity with a limit");
    println!("{}: {} {} ({})", line.name, worst.error, line.unit, worst.at);
    assert!(worst.values >= values_at_least, "{} values are no test", worst.values);
    assert!(
        worst.error <= reach,
        "{}: {} {}; ±{reach} allowed; {}",
        line.name,
        worst.error,
        line.unit,
        worst.at
    );
}

/// IEC 61000-4-30 class A: ±0.1 % of declared.
#[test]
fn rms() {
    check(Quantity::Rms, 20_000);
}

/// IEC 61000-4-30 class A: ±10 mHz.
#[test]
fn frequency() {
    check(Quantity::Frequency, 3000);
    check(Quantity::FrequencyDistorted, 3000);
}

/// IEC 61000-4-30 class A: ±0.15 %.
#[test]
fn unbalance() {
    check(Quantity::Unbalance, 5000);
}

/// IEC 61000-4-7 class I: ±5 % of reading from 1 % of nominal on, ±0.05 % of nominal below.
#[test]
fn harmonics() {
    check(Quantity::HarmonicLarge, 10_000);
    check(Quantity::HarmonicSmall, 100_000);
    check(Quantity::Thd, 10_000);
}

/// IEC/IEEE 60255-118-1: 1 % TVE.
#[test]
fn phasors() {
    check(Quantity::Tve, 10_000);
}

/// IEC 61000-4-7 4.4.1: the window holds whole cycles within ±0.03 %. That none overlaps another and no gap is left is checked
/// where they are judged.
#[test]
fn windows() {
    check(Quantity::WindowLength, 5000);
}

/// IEC 61000-4-30 5.4 class A: residual voltage ±0.2 %, duration ±1 cycle; polyphase begin and end; 4.7: flags.
#[test]
fn sag_residual_duration_phases_and_flags() {
    let sags = sags();
    println!("{sags:?}");
    assert!(sags.duration.values > 1000, "{} are no test", sags.duration.values);
    assert_eq!(sags.wrong, [""; 0]);
    assert_eq!(sags.flags, [""; 0]);
    let [(_, residual), (_, duration)] = LIMITS;
    assert!(sags.residual.error <= residual, "{:?}", sags.residual);
    assert!(sags.duration.error <= duration, "{:?}", sags.duration);
}

/// The same bits on every machine: the committed table is what is measured now, to the letter.
#[test]
fn the_committed_table_is_what_is_measured_now() {
    let measured = report::table(points(), sags(), &sweep::disturbed(threads()));
    let committed = document::MEASUREMENT.committed().unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(
        measured, committed,
        "the table in firmware/MEASUREMENT.md is not what is measured now; \
         `cargo run -p wyelog-device-tests --example measurement -- --write` puts it there"
    );
}
