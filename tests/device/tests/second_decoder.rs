//! A second decoder, written in Python from WIRE.md and schema.txt alone, reads the same logs to the same values.

mod second_decoder {
    pub mod json;
}

use std::fs;
use std::path::Path;
use std::process::Command;

use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use second_decoder::json;
use serde_json::{Value, json};
use wyelog_device_tests::play::{self, device};
use wyelog_device_tests::{arbitrary, samples};
use wyelog_firmware::keeper::Keeper;
use wyelog_protocol::frame::{self, Decoder, MAX_FRAME_BYTES};
use wyelog_protocol::message::{Extent, FromLogger, Identity, Reply};
use wyelog_protocol::record::{DecodeError, Envelope, MAX_RECORD_BYTES, Record};
use wyelog_protocol::{FRAMES_PER_SECOND, SCHEMA, text};
use wyelog_simulator::flash::NorMemory;

const RECORDS: u32 = 900;
const FIRST: u32 = 4711;

fn framed(reply: Reply) -> Vec<u8> {
    let packet = postcard::to_stdvec(&FromLogger { number: 0, reply }).unwrap();
    frame::encode(&packet, &mut [0; MAX_FRAME_BYTES]).expect("a packet fits").to_vec()
}

/// A log of [`RECORDS`] records of every sort, with a hole, newer records and a newer reply in it: frame by frame.
fn log(runner: &mut TestRunner) -> Vec<Vec<u8>> {
    let identity = Identity {
        schema: SCHEMA,
        firmware: "0.1.0",
        board: "none",
        device: text("test"),
        boot: 3,
        frames_per_second: FRAMES_PER_SECOND,
        kinds: [(1, 1), (9, 2)].into_iter().collect(),
    };
    let mut frames = vec![framed(Reply::Identity(identity))];
    for sequence in FIRST..FIRST + RECORDS {
        let record = arbitrary::record().new_tree(runner).unwrap().current();
        let mut bytes = record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").to_vec();
        match sequence - FIRST {
            10 => bytes[0] = 99,
            20 => bytes[1] = 2,
            // Fields that a later edition appends.
            30 => bytes = [&[3, 1, 11], [2, 0, 0, 2, 5].as_slice(), &[9; 6]].concat(),
            // A payload that ends too early.
            40 => bytes = vec![3, 1, 2, 2, 0],
            // A state that is not known, and a contact that is neither closed nor open.
            41 => bytes = [&[8, 1, 13], [2, 0, 0, 4].as_slice(), &[0; 9]].concat(),
            42 => bytes = [&[7, 1, 14], [2, 0, 0, 0, 1, 2].as_slice(), &[0; 8]].concat(),
            // The same with numbers that are known.
            43 => bytes = [&[8, 1, 13], [2, 0, 0, 3].as_slice(), &[0; 9]].concat(),
            44 => bytes = [&[7, 1, 14], [2, 0, 0, 0, 1, 1].as_slice(), &[0; 8]].concat(),
            50..60 => {
                frames.push(framed(Reply::Missing { from: sequence, to: sequence + 1 }));
                continue;
            }
            _ => {}
        }
        frames.push(framed(Reply::Records { first: sequence, bytes: &bytes }));
    }
    let (one, two) = (sample(runner), sample(runner));
    frames.push(framed(Reply::Records { first: FIRST + RECORDS, bytes: &[one, two].concat() }));
    let newer = [0, 77, 1, 2, 3];
    frames.push(frame::encode(&newer, &mut [0; MAX_FRAME_BYTES]).unwrap().to_vec());
    frames.push(framed(Reply::LogEnd(Extent { boot: 3, oldest: 1, next: FIRST + RECORDS + 2, refused: 0 })));
    frames
}

fn sample(runner: &mut TestRunner) -> Vec<u8> {
    let record = arbitrary::record().new_tree(runner).unwrap().current();
    record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").to_vec()
}

/// What the Rust decoder makes of a log: the records as JSON, and counts.
fn by_rust(bytes: &[u8]) -> (Vec<Value>, Value) {
    let (mut ok, mut damaged, mut newer, mut unknown, mut malformed) = (0, 0, 0, 0, 0);
    let (mut records, mut numbers, mut until) = (Vec::new(), Vec::new(), 0);
    let (mut end, mut identity) = (Value::Null, Value::Null);
    let mut named: Vec<u32> = Vec::new();
    let mut decoder = Decoder::new();
    for byte in bytes {
        let packet = match decoder.push(*byte) {
            None => continue,
            Some(Err(_)) => {
                damaged += 1;
                continue;
            }
            Some(Ok(packet)) => packet,
        };
        ok += 1;
        match postcard::from_bytes::<FromLogger>(packet).map(|packet| packet.reply) {
            Err(_) => newer += 1,
            Ok(Reply::Records { first, mut bytes }) => {
                let mut sequence = first;
                while !bytes.is_empty() {
                    numbers.push(sequence);
                    let Ok((envelope, rest)) = Envelope::parse(bytes) else {
                        malformed += 1;
                        break;
                    };
                    bytes = rest;
                    match envelope.decode() {
                        Ok(record) => records.push(json::record(sequence, &record)),
                        Err(DecodeError::Unknown { .. }) => unknown += 1,
                        Err(_) => malformed += 1,
                    }
                    sequence += 1;
                }
            }
            Ok(Reply::Missing { from, to }) => named.extend([from, to]),
            Ok(Reply::LogEnd(extent)) => {
                until = extent.next;
                end = json!({"boot": extent.boot, "oldest": extent.oldest, "next": extent.next, "refused": extent.refused});
            }
            Ok(Reply::Identity(id)) => identity = json::identity(&id),
            Ok(_) => {}
        }
    }
    if bytes.last().is_some_and(|last| *last != 0) {
        damaged += 1;
    }
    let from = numbers.iter().chain(&named).min().copied().unwrap_or(0);
    let to = numbers.iter().map(|n| n + 1).chain(named).chain([until]).max().unwrap_or(0);
    let mut missing: Vec<(u32, u32)> = Vec::new();
    for number in (from..to).filter(|number| !numbers.contains(number)) {
        match missing.last_mut() {
            Some(last) if last.1 == number => last.1 += 1,
            _ => missing.push((number, number + 1)),
        }
    }
    let summary = json!({
        "type": "summary", "frames_ok": ok, "frames_damaged": damaged, "packets_unknown": newer,
        "records": numbers.len(), "records_unknown": unknown, "records_malformed": malformed,
        "missing": missing, "identity": identity, "extent": end,
    });
    (records, summary)
}

/// What the Python decoder makes of it.
fn by_python(name: &str, bytes: &[u8]) -> (Vec<Value>, Value) {
    let log = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    fs::write(&log, bytes).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../decoder/wyelog_log.py");
    let output = Command::new("python3").arg(script).arg(log).output().unwrap_or_else(|error| {
        panic!("python3 does not start ({error}); install it with: sudo apt-get install python3")
    });
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let mut lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let summary = lines.pop().expect("a summary");
    (lines, summary)
}

/// Both decoders on one log; returns what they agree on.
fn agreed(name: &str, bytes: &[u8]) -> (Vec<Value>, Value) {
    let (rust, python) = (by_rust(bytes), by_python(name, bytes));
    for (rust, python) in rust.0.iter().zip(&python.0) {
        assert_eq!(rust, python, "{name}");
    }
    assert_eq!(rust.0.len(), python.0.len(), "{name}");
    assert_eq!(rust.1, python.1, "{name}");
    rust
}

#[test]
fn both_read_a_whole_log_to_the_same_values() {
    let frames = log(&mut TestRunner::deterministic());
    let (records, summary) = agreed("whole.log", &frames.concat());
    // 900, less ten missing, two unknown and three malformed, and the two in one frame.
    assert_eq!(records.len(), 887);
    assert_eq!(
        [&summary["frames_ok"], &summary["frames_damaged"], &summary["packets_unknown"]],
        [&json!(904), &json!(0), &json!(1)]
    );
    assert_eq!([&summary["records_unknown"], &summary["records_malformed"]], [&json!(2), &json!(3)]);
    assert_eq!(summary["missing"], json!([[FIRST + 50, FIRST + 60]]));
    for kind in
        ["interval", "event", "status", "settings", "spectrum", "capture", "operation", "bank", "baseline"]
    {
        assert!(records.iter().filter(|record| record["type"] == kind).count() > 70, "{kind}");
    }
    assert!(records.iter().any(|record| record["sequence"] == FIRST + 30), "a longer payload is read");
    let field = |offset: u32, path: &str| {
        let record = records.iter().find(|record| record["sequence"] == FIRST + offset);
        record.and_then(|record| record.pointer(path)).cloned()
    };
    assert_eq!([field(41, ""), field(42, "")], [None, None]);
    assert_eq!(field(43, "/state"), Some(json!("partly_closed")));
    assert_eq!(field(44, "/told"), Some(json!(true)));
}

#[test]
fn both_read_what_is_left_of_a_damaged_log() {
    let mut runner = TestRunner::deterministic();
    let frames = log(&mut runner);
    let whole = frames.concat();
    let mut pick = |below: usize| (0..below).new_tree(&mut runner).unwrap().current();

    // One byte in the middle of one frame: that frame alone is lost.
    let mut bytes = whole.clone();
    let before: usize = frames[..101].iter().map(Vec::len).sum();
    bytes[before + frames[101].len() / 2] ^= 0x55;
    let (records, summary) = agreed("one_byte.log", &bytes);
    assert_eq!((records.len(), &summary["frames_damaged"]), (886, &json!(1)));
    assert_eq!(summary["missing"], json!([[FIRST + 50, FIRST + 60], [FIRST + 100, FIRST + 101]]));

    // Cut off inside a frame: nobody can know what followed.
    let (_, summary) = agreed("cut.log", &whole[..before + 9]);
    assert_eq!((&summary["extent"], &summary["frames_damaged"]), (&Value::Null, &json!(1)));

    for copy in 0..8 {
        let mut bytes = whole.clone();
        for _ in 0..1 << copy {
            let at = pick(bytes.len());
            match pick(4) {
                0 => bytes[at] = u8::try_from(pick(256)).unwrap(),
                1 => bytes[at] = 0,
                2 => drop(bytes.drain(at..(at + pick(300)).min(bytes.len()))),
                _ => drop(bytes.splice(at..at, (0..pick(900)).map(|n| u8::try_from(n % 251).unwrap()).rev())),
            }
        }
        agreed(&format!("damaged_{copy}.log"), &bytes);
    }
    agreed("nothing.log", &[]);
    agreed("erased.log", &[0xFF; 4096]);
    agreed("zeroed.log", &[0; 4096]);
}

/// A log of schema `67f5c5db7826fc9b`, as the first firmware wrote it, and what it said: both are kept for ever and never written
/// anew. `golden/v1.toml` is what happened to the bank.
#[test]
fn both_read_the_kept_log_to_the_values_it_has_always_had() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden");
    let (records, summary) = agreed("kept.log", &fs::read(folder.join("v1.log")).unwrap());
    let kept = fs::read_to_string(folder.join("v1.jsonl")).unwrap();
    let mut kept: Vec<Value> = kept.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(kept.pop(), Some(summary));
    assert_eq!(records.len(), 223);
    for (record, kept) in records.iter().zip(&kept) {
        assert_eq!(record, kept);
    }
    for kind in
        ["interval", "event", "status", "settings", "spectrum", "capture", "operation", "bank", "baseline"]
    {
        assert!(records.iter().any(|record| record["type"] == kind), "{kind}");
    }
}

/// A log whose intervals have been overwritten: old events between gaps.
#[test]
fn both_read_events_that_outlived_the_intervals_around_them() {
    let samples = samples::records();
    let settings = samples.iter().find_map(|(_, record)| match record {
        Record::Settings(settings) => Some(settings.settings.clone()),
        _ => None,
    });
    let flash = NorMemory::<1, 4096>::new(16);
    let (mut keeper, mounted) = Keeper::start(flash, device(), settings.expect("there is one"), None);
    mounted.expect("an empty flash mounts");
    for count in 0..1500 {
        let kept = if count % 97 == 0 { &samples[2 + count % 40].1 } else { &samples[0].1 };
        keeper.store(kept);
        keeper.idle();
    }
    let extent = keeper.extent();
    let (records, missing) = play::held(keeper.into_flash().expect("it mounted"));
    assert!(missing.len() > 5, "{missing:?}");
    let mut frames: Vec<(u32, Vec<u8>)> = Vec::new();
    frames.extend(records.iter().map(|(n, bytes)| (*n, framed(Reply::Records { first: *n, bytes }))));
    frames.extend(missing.iter().map(|&(from, to)| (from, framed(Reply::Missing { from, to }))));
    frames.sort();
    let mut bytes: Vec<u8> = frames.into_iter().flat_map(|(_, frame)| frame).collect();
    bytes.extend(framed(Reply::LogEnd(extent)));
    let (read, summary) = agreed("outlived.log", &bytes);
    assert_eq!(read.len(), records.len());
    assert_eq!([&summary["frames_damaged"], &summary["records_malformed"]], [&json!(0), &json!(0)]);
    let gaps: Vec<Value> = missing.iter().map(|(from, to)| json!([from, to])).collect();
    assert_eq!(summary["missing"], Value::Array(gaps));
}
