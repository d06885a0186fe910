//! What is captured around events and operations, sample by sample, from the frames that went in to the records in the
//! flash.

use wyelog_device_tests::play::{self, SECTORS, decode, device, play_inputs, stored};
use wyelog_firmware::frontend::Input;
use wyelog_firmware::logger::Logger;
use wyelog_firmware::meter::Buffers;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::record::{Capture, Event, Follows, MAX_RECORD_BYTES, Record, Status};
use wyelog_protocol::waveform::Samples;
use wyelog_simulator::flash::{FaultyFlash, NorMemory};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

/// Frame at which the fuse blows: 32.111 s.
const FUSE: u64 = 154_133;

/// A feeder that recloses, a bank that is opened and closed again, a fuse that blows: in 40 s.
fn scenario(frequency_hz: f64) -> Scenario {
    let text = format!(
        r#"
name = "a busy bank"
seed = 5
duration_s = 40
start_utc = "2031-05-06T07:08:09Z"
[feeder]
kv_ll = 12.47
frequency_hz = {frequency_hz}
x_ohm = 1.2
r_ohm = 0.6
u0_percent = 0.8
harmonics = [{{ order = 5, percent = 2.1, angle_deg = 40 }}]
[[feeder.event]]
kind = "interruption"
at_s = 8.013
duration_s = 0.5
[bank]
connection = "grounded_wye"
rated_kvar = 600
rated_kv_ll = 12.47
tolerance_percent = [1.0, 3.0, 2.0]
[[bank.event]]
kind = "opens"
at_s = 16.001
[[bank.event]]
kind = "closes"
at_s = 24.007
[[bank.event]]
kind = "fuse_blows"
phase = "C"
at_s = 32.111
[sensors.A]
noise_percent = 0.02
[sensors.N]
noise_percent = 0.05
"#
    );
    Scenario::parse("busy", &text).unwrap_or_else(|error| panic!("{error}"))
}

/// Settings, inputs, the frames alone, and the frames before which the contact changes.
fn tape(frequency_hz: f64) -> (Settings, Vec<Input>, Vec<[i32; 4]>, Vec<u64>) {
    let tape = from_scenario(&scenario(frequency_hz));
    let settings = tape.settings().clone();
    let inputs: Vec<Input> = tape.collect();
    let (mut frames, mut operations, mut contact) = (Vec::new(), Vec::new(), None);
    for input in &inputs {
        match input {
            Input::Frame(frame) => frames.push(frame.channels),
            Input::Contact(closed) if contact.replace(*closed).is_some_and(|before| before != *closed) => {
                operations.push(frames.len() as u64);
            }
            _ => {}
        }
    }
    (settings, inputs, frames, operations)
}

fn captures(records: &[Record]) -> Vec<&Capture> {
    records
        .iter()
        .filter_map(|r| if let Record::Capture(capture) = r { Some(capture) } else { None })
        .collect()
}

/// Every capture as its first frame and the frame behind its last; each sample is held against the frame that went in, and
/// each record against the one before it.
fn spans(records: &[Record], frames: &[[i32; 4]]) -> Vec<(u64, u64, Follows)> {
    let mut spans: Vec<(u64, u64, Follows)> = Vec::new();
    for record in captures(records) {
        let first = record.stamp.frame;
        let samples: Vec<_> =
            Samples::new(&record.samples).map(|sample| sample.expect("a waveform")).collect();
        for (sample, frame) in samples.iter().zip(&frames[first as usize..]) {
            assert_eq!(*sample, frame.map(|count| ((count + 128) >> 8).clamp(-32_767, 32_767) as i16));
        }
        let end = first + samples.len() as u64;
        match spans.last_mut().filter(|last| last.2 == Follows::More) {
            Some(last) => {
                assert_eq!(last.1, first, "a gap inside a capture");
                (last.1, last.2) = (end, record.follows);
            }
            None => spans.push((first, end, record.follows)),
        }
    }
    spans
}

#[test]
fn three_cycles_before_and_twelve_after_every_event_and_operation() {
    for frequency_hz in [59.9, 50.1] {
        let (settings, inputs, frames, operations) = tape(frequency_hz);
        assert_eq!(operations.len(), 2);
        let records = decode(&stored(play_inputs(NorMemory::new(SECTORS), &settings, inputs)));
        let spans = spans(&records, &frames);
        assert!(spans.iter().all(|span| span.2 == Follows::Nothing), "{spans:?}");
        let begins: Vec<(String, u64)> = records
            .iter()
            .filter_map(|record| match record {
                // A window says when the fuse blew to 200 ms; the scenario says it exactly.
                Record::Event(Event {
                    change: Change::Detected, condition: Condition::BlownFuse, ..
                }) => Some(("blown_fuse".to_owned(), FUSE)),
                Record::Event(Event { change: Change::Detected, condition, begin, .. }) => {
                    Some((condition.name().to_owned(), begin.frame))
                }
                _ => None,
            })
            .chain(operations.iter().map(|frame| ("operation".to_owned(), *frame)))
            .collect();
        for name in ["interruption", "blown_fuse", "operation"] {
            assert!(begins.iter().any(|begin| begin.0 == name), "no {name}: {begins:?}");
        }
        let cycles = |count: f64| (count * 4800.0 / frequency_hz).ceil() as u64;
        for (name, begin) in &begins {
            let whole = spans
                .iter()
                .any(|(first, end, _)| first + cycles(3.0) <= *begin && begin + cycles(12.0) <= *end);
            assert!(whole, "{frequency_hz} Hz: {name} at frame {begin} is not in {spans:?}");
        }
        // Not more than that: a capture of a rest would be a nuisance.
        let captured: u64 = spans.iter().map(|(first, end, _)| end - first).sum();
        println!(
            "{frequency_hz} Hz: {} captures, {captured} samples, {:.2} bytes a value with all that is around them",
            spans.len(),
            bytes(&records) as f64 / captured as f64 / 4.0
        );
        assert!((4..=6).contains(&spans.len()), "{spans:?}");
        assert!(
            !records
                .iter()
                .any(|r| matches!(r, Record::Status(s) if matches!(s.status, Status::CapturesLost { .. })))
        );
        let (begun, utc_ms) = captures(&records).first().map(|c| (c.stamp.frame, c.stamp.utc_ms)).unwrap();
        // 2031-05-06 07:08:09 UTC, by `date -u`.
        assert_eq!(utc_ms, Some(1_935_817_689_000 + begun * 5 / 24));
    }
}

/// Bytes of the capture records.
fn bytes(records: &[Record]) -> usize {
    records
        .iter()
        .filter(|record| matches!(record, Record::Capture(_)))
        .map(|record| record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap().len())
        .sum()
}

/// The goal for a clean wave of 60 Hz, records' heads included.
#[test]
fn a_clean_wave_takes_at_most_1_2_bytes_a_value() {
    let scenario = Scenario::parse(
        "clean",
        r#"
name = "clean"
duration_s = 4
[feeder]
kv_ll = 12.47
frequency_hz = 60
[bank]
connection = "grounded_wye"
rated_kvar = 600
rated_kv_ll = 12.47
"#,
    )
    .unwrap_or_else(|error| panic!("{error}"));
    let tape = from_scenario(&scenario);
    let settings = tape.settings().clone();
    let mut inputs: Vec<Input> = vec![Input::Contact(true)];
    inputs.extend(tape);
    inputs.insert(9600, Input::Contact(false));
    let records = decode(&stored(play_inputs(NorMemory::new(SECTORS), &settings, inputs)));
    let samples: usize = captures(&records).iter().map(|c| Samples::new(&c.samples).count()).sum();
    assert!(samples >= 15 * 80, "{samples}");
    let each = bytes(&records) as f64 / samples as f64 / 4.0;
    println!("{each:.3} bytes a value");
    assert!(each <= 1.2, "{each}");
}

/// What a log holds, records that a cut has torn left out.
fn readable(flash: NorMemory) -> Vec<Record> {
    let (records, missing) = play::held(flash);
    assert!(missing.iter().all(|(from, to)| to - from == 1), "one torn record: {missing:?}");
    decode(&records)
}

#[test]
fn a_power_cut_inside_a_capture_leaves_the_rest_readable() {
    let (settings, inputs, frames, operations) = tape(60.0);
    let start = |flash, inputs: &[Input]| {
        let mut buffers = Box::new(Buffers::new());
        let (mut logger, mounted) = Logger::start(&mut buffers, flash, device(), settings.clone(), None);
        mounted.expect("the flash mounts");
        inputs.iter().for_each(|input| logger.input(*input));
        logger.into_flash().expect("it has been mounted")
    };
    let behind = |frame: u64| {
        let seen = inputs.iter().enumerate().filter(|(_, input)| matches!(input, Input::Frame(_)));
        seen.map(|(place, _)| place + 1).nth(frame as usize - 1).expect("so many frames")
    };
    // 2 cycles behind the opening.
    let whole = start(FaultyFlash::new(NorMemory::new(SECTORS), 1), &inputs[..behind(operations[0] + 160)]);
    let first = whole.operations();
    for cut in first..first + 16 {
        let mut flash = FaultyFlash::new(NorMemory::new(SECTORS), cut);
        flash.cut_at(cut);
        let flash = start(flash, &inputs[..behind(operations[0] + 1500)]).into_inner();
        let left = spans(&readable(flash.clone()), &frames);
        let (begin, end, follows) = *left.last().expect("the capture of the opening");
        assert!(begin + 240 <= operations[0] && end > operations[0], "{left:?}");
        assert_eq!(follows, Follows::More, "the rest is missing");
        let flash = start(FaultyFlash::new(flash, 1), &inputs).into_inner();
        let again: Vec<Record> =
            readable(flash).into_iter().filter(|record| record.stamp().boot == 2).collect();
        assert!(
            spans(&again, &frames).iter().any(|span| span.0 == begin),
            "the second start is as good as the first"
        );
    }
}
