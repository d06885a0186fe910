//! A part of the randomised study in every run of the tests: `firmware/DETECTION.md` has all of it.

use wyelog_device_tests::detection::numbers::{Number, numbers};
use wyelog_device_tests::detection::{matrix, study, years};

/// Another seed than the page's.
const SEED: u64 = 2;
const RECORDS: usize = 360;

#[test]
fn the_numbers_are_reached() {
    let judged = study::run(SEED, RECORDS);
    let complaints: Vec<String> = judged.iter().filter_map(|record| record.complaint(SEED)).collect();
    let listed = complaints.join("\n");
    let missed = |number: &&Number| !number.holds;
    let all = numbers(&judged);
    let missed: Vec<&Number> = all.iter().filter(missed).collect();
    assert!(missed.is_empty(), "{missed:#?}\n{listed}");
    assert!(all.iter().all(|number| number.of > 0), "{all:#?}");
    assert!(matrix::svg(&judged).contains("blown_fuse"));
}

#[test]
fn a_month_of_health_calls_nobody() {
    let years = years::run(SEED, 0.08);
    assert_eq!(years.calls, [0, 0], "{:?}", years.which);
}
