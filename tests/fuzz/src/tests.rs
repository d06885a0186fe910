//! A short run of every target: the kept corpus, then mutations of it, the same at every run.
//!
//! `WYELOG_FUZZ_RUNS=50` takes fifty times as many. An input that fails is printed: put it into the corpus.

use crate::TARGETS;
use crate::allocation::take_most;
use rand_pcg::Pcg32;
use rand_pcg::rand_core::Rng;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::{Duration, Instant};

/// Mutations a target; fewer where each costs a hundred microseconds and more.
const RUNS: usize = 20_000;
const FEWER_RUNS: usize = 5_000;
/// Largest input.
const LONGEST: usize = 8192;
/// No input of a few kilobytes makes a parser hold more: a length that is believed would ask for gigabytes.
const MEMORY: usize = 16 << 20;
/// An input takes microseconds; a machine that does ten other things may make seconds of them.
const TIME: Duration = Duration::from_secs(20);
/// What parsers trip over.
const EDGES: [u8; 8] = [0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF, b'-', b'9'];

#[test]
fn comtrade() {
    campaign("comtrade");
}

#[test]
fn frame() {
    campaign("frame");
}

#[test]
fn journal() {
    campaign("journal");
}

#[test]
fn link() {
    campaign("link");
}

#[test]
fn log() {
    campaign("log");
}

#[test]
fn message() {
    campaign("message");
}

#[test]
fn record() {
    campaign("record");
}

#[test]
fn rings() {
    campaign("rings");
}

#[test]
fn scenario() {
    campaign("scenario");
}

#[test]
fn tape() {
    campaign("tape");
}

#[test]
fn waveform() {
    campaign("waveform");
}

/// A target whose corpus is forgotten, or a corpus whose target is gone, tests nothing.
#[test]
fn every_target_has_its_file_and_its_corpus() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let names = |folder: &str| {
        let mut names: Vec<String> = std::fs::read_dir(here.join(folder))
            .unwrap_or_else(|error| panic!("{folder}: {error}"))
            .map(|entry| entry.unwrap().path().file_stem().unwrap().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    };
    let targets: Vec<&str> = TARGETS.iter().map(|(name, _)| *name).collect();
    assert_eq!(names("targets"), targets);
    assert_eq!(names("corpus"), targets);
    let manifest = std::fs::read_to_string(here.join("Cargo.toml")).unwrap();
    assert!(targets.iter().all(|name| manifest.contains(&format!("path = \"targets/{name}.rs\""))));
}

fn campaign(name: &str) {
    let (_, target) = TARGETS.into_iter().find(|(known, _)| *known == name).expect("a target");
    let corpus = corpus(name);
    let runs = if matches!(name, "log" | "scenario") { FEWER_RUNS } else { RUNS };
    let times = std::env::var("WYELOG_FUZZ_RUNS").map_or(1, |times| times.parse().expect("a number"));
    let runs: usize = runs * times;
    let mut random = Pcg32::new(1, 0xF022);
    let mut most = 0;
    let mut slowest = Duration::ZERO;
    let mut input = Vec::new();
    let begin = Instant::now();
    for n in 0..corpus.len() + runs {
        input.clear();
        match corpus.get(n) {
            Some(kept) => input.extend_from_slice(kept),
            None => mutate(&mut input, &corpus, &mut random),
        }
        take_most();
        let before = take_most();
        let start = Instant::now();
        if catch_unwind(AssertUnwindSafe(|| target(&input))).is_err() {
            panic!("input {n} fails: {input:02x?}");
        }
        slowest = slowest.max(start.elapsed());
        most = most.max(take_most().saturating_sub(before));
        assert!(most <= MEMORY, "input {n} takes {most} bytes of memory: {input:02x?}");
        assert!(slowest <= TIME, "input {n} takes {slowest:?}: {input:02x?}");
    }
    println!(
        "{name}: {} kept inputs and {} mutations in {:.1?}, the slowest {slowest:.1?}, at most {} KiB of memory",
        corpus.len(),
        runs,
        begin.elapsed(),
        most / 1024
    );
}

/// The kept inputs, in the order of their names.
fn corpus(name: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(name);
    let mut paths: Vec<_> = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.unwrap().path())
        .collect();
    paths.sort();
    assert!(paths.len() >= 3, "{} is no corpus", folder.display());
    paths.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

fn below(random: &mut Pcg32, limit: usize) -> usize {
    if limit == 0 { 0 } else { random.next_u32() as usize % limit }
}

/// One kept input, changed in one to four places.
fn mutate(input: &mut Vec<u8>, corpus: &[Vec<u8>], random: &mut Pcg32) {
    input.extend_from_slice(&corpus[below(random, corpus.len())]);
    for _ in 0..1 + below(random, 4) {
        let at = below(random, input.len() + 1);
        let end = (at + 1 + below(random, 16)).min(input.len());
        match below(random, 8) {
            0 | 1 => {
                if let Some(byte) = input.get_mut(at) {
                    *byte ^= 1 << below(random, 8);
                }
            }
            2 => {
                if let Some(byte) = input.get_mut(at) {
                    *byte = EDGES[below(random, EDGES.len())];
                }
            }
            3 => input.truncate(at),
            4 => {
                let mut bytes = [0; 8];
                random.fill_bytes(&mut bytes);
                let count = 1 + below(random, 8);
                input.splice(at..at, bytes.into_iter().take(count));
            }
            5 => drop(input.drain(at..end)),
            6 => {
                let piece = input[at..end].to_vec();
                input.splice(at..at, piece);
            }
            // The beginning of this, the end of another.
            _ => {
                let other = &corpus[below(random, corpus.len())];
                input.truncate(at);
                input.extend_from_slice(&other[below(random, other.len() + 1)..]);
            }
        }
    }
    input.truncate(LONGEST);
}
