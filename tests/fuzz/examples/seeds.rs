//! Writes the inputs that the corpus grew from: what a logger and a host really say, as the code of the day writes it.
//!
//! `cargo run -p wyelog-fuzz --example seeds` after a change of a format; existing files of other names stay.

use std::path::{Path, PathBuf};
use wyelog::log::LogWriter;
use wyelog_device_tests::samples;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::journal::Journal;
use wyelog_firmware::log::Log;
use wyelog_firmware::tape::{encode, encode_head};
use wyelog_protocol::frame::{self, MAX_FRAME_BYTES};
use wyelog_protocol::message::{Extent, FromLogger, Reply};
use wyelog_protocol::record::{ClockSource, MAX_RECORD_BYTES, Record};
use wyelog_simulator::flash::NorMemory;
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape::from_scenario;

const SECTOR: usize = 1024;

fn main() -> std::io::Result<()> {
    let records = records();
    let settings = records.iter().find(|(name, _)| name.starts_with("settings")).expect("one").1.clone();
    // All kinds, and few files.
    for (name, bytes) in records.iter().step_by(4) {
        write("record", name, bytes)?;
    }
    let two: Vec<u8> = records.iter().take(2).flat_map(|(_, bytes)| bytes.iter().copied()).collect();
    let replies = samples::from_logger(&settings, &two);
    let mut everything = Vec::new();
    for (_, reply) in &replies {
        everything.extend(framed(&postcard::to_stdvec(reply).expect("a packet")));
    }
    write("frame", "replies", &everything)?;
    let requests: Vec<Vec<u8>> = samples::to_logger()
        .iter()
        .map(|(_, request)| postcard::to_stdvec(request).expect("a packet"))
        .collect();
    let frames: Vec<u8> = requests.iter().flat_map(|packet| framed(packet)).collect();
    let packets: Vec<u8> = requests.iter().flat_map(|packet| measured(packet)).collect();
    for target in ["frame", "link"] {
        write(target, "requests", &frames)?;
        write(target, "one", &framed(&requests[0]))?;
        write(target, "log", &framed(&requests[4]))?;
    }
    write("message", "requests", &packets)?;
    write("message", "one", &measured(&requests[0]))?;
    write("message", "log", &measured(&requests[4]))?;
    logs(&replies, &records)?;
    journals(&records)?;
    comtrade()?;
    scenarios()?;
    for (name, record) in samples::records() {
        if let Record::Capture(capture) = record {
            write("waveform", &name, &capture.samples)?;
        }
    }
    write("waveform", "nothing", &[])
}

fn records() -> Vec<(String, Vec<u8>)> {
    let encoded = |(name, record): (String, Record)| {
        let bytes = record.encode(&mut [0; MAX_RECORD_BYTES]).expect("it fits").to_vec();
        (name, bytes)
    };
    samples::records().into_iter().map(encoded).collect()
}

fn framed(packet: &[u8]) -> Vec<u8> {
    frame::encode(packet, &mut [0; MAX_FRAME_BYTES]).expect("it fits").to_vec()
}

/// A packet as `wyelog_fuzz::message` takes it.
fn measured(packet: &[u8]) -> Vec<u8> {
    let length = u8::try_from(packet.len()).unwrap_or(u8::MAX);
    std::iter::once(length).chain(packet.iter().copied().take(length.into())).collect()
}

fn logs(replies: &[(&str, FromLogger<'_>)], records: &[(String, Vec<u8>)]) -> std::io::Result<()> {
    let Some(Reply::Identity(identity)) = replies.iter().map(|(_, packet)| &packet.reply).next() else {
        panic!("the first reply is an identity")
    };
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(identity)?;
    for (sequence, (_, bytes)) in (1..).zip(records) {
        writer.record(sequence, bytes)?;
    }
    writer.missing(100, 164)?;
    writer.end(Extent { boot: 3, oldest: 1, next: 164, refused: 2 })?;
    write("log", "whole", &writer.into_sink()?)?;
    let packets = replies.iter().flat_map(|(_, reply)| {
        let reply = FromLogger { number: 0, ..reply.clone() };
        measured(&postcard::to_stdvec(&reply).expect("a packet"))
    });
    write("log", "packets", &packets.collect::<Vec<u8>>())?;
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(identity)?;
    write("log", "identity", &writer.into_sink()?)
}

fn journals(records: &[(String, Vec<u8>)]) -> std::io::Result<()> {
    for (name, count) in [("empty", 0), ("begun", 3), ("second_sector", 20), ("gone_round", 90)] {
        let flash = NorMemory::<1, SECTOR>::new(4);
        let (mut journal, _) = Journal::mount(flash, &mut |_, _| {}).expect("an empty flash mounts");
        for (_, bytes) in records.iter().cycle().take(count) {
            journal.append(bytes).expect("room");
        }
        write("journal", name, &used(journal.into_flash()))?;
    }
    for (name, count) in [("begun", 3), ("second_sector", 20), ("gone_round", 90)] {
        let (mut log, _) =
            Log::mount(NorMemory::<1, SECTOR>::new(8), &mut |_, _| {}).expect("an empty flash mounts");
        for (_, bytes) in records.iter().cycle().take(count) {
            log.append(bytes).expect("room");
        }
        write("rings", name, &used(log.into_flash()))?;
    }
    Ok(())
}

/// The cells up to the last that was written.
fn used(flash: NorMemory<1, SECTOR>) -> Vec<u8> {
    let mut cells = flash.into_bytes();
    let used = cells.iter().rposition(|cell| *cell != 0xFF).map_or(0, |last| last + 1);
    cells.truncate(used);
    cells
}

fn comtrade() -> std::io::Result<()> {
    let cfg = |kind: &str, rate: &str, samples: usize| {
        let channel = |n: usize, name: &str, unit: &str| {
            format!("{n},{name},{},,{unit},0.01,0,0,-32767,32767,60,1,P\r\n", &name[1..])
        };
        let channels: String = [("VA", "kV"), ("VB", "kV"), ("VC", "kV"), ("IN", "A")]
            .iter()
            .zip(1..)
            .map(|((name, unit), n)| channel(n, name, unit))
            .collect();
        format!(
            "place,logger,2013\r\n5,4A,1D\r\n{channels}1,52A,,,0\r\n60\r\n1\r\n{rate},{samples}\r\n\
             01/02/2026,03:04:05.000000\r\n01/02/2026,03:04:05.010000\r\n{kind}\r\n1\r\n"
        )
    };
    let samples = 8;
    let ascii: String =
        (1..=samples).map(|n| format!("{n},{},{},{},{},5,1\r\n", n * 208, n * 100, -n * 50, n * 7)).collect();
    let with = |cfg: String, dat: &[u8]| [cfg.as_bytes(), &[0], dat].concat();
    write("comtrade", "ascii", &with(cfg("ASCII", "4800", 8), ascii.as_bytes()))?;
    let mut binary = Vec::new();
    for n in 1..=8_i16 {
        binary.extend_from_slice(&i32::from(n).to_le_bytes());
        binary.extend_from_slice(&(i32::from(n) * 208).to_le_bytes());
        [n * 100, n * 50, -n, n * 7, 1]
            .iter()
            .for_each(|value| binary.extend_from_slice(&value.to_le_bytes()));
    }
    write("comtrade", "binary", &with(cfg("BINARY", "4800", 8), &binary))?;
    write("comtrade", "no_rate", &with(cfg("ASCII", "0", 8), ascii.as_bytes()))?;
    write("comtrade", "no_data", cfg("FLOAT32", "4800", 8).as_bytes())
}

fn scenarios() -> std::io::Result<()> {
    for folder in ["host/scenarios", "tests/device/scenarios"] {
        for entry in std::fs::read_dir(here().join("../..").join(folder))? {
            let path = entry?.path();
            if path.extension().is_none_or(|extension| extension != "toml") {
                continue;
            }
            let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
            let text = std::fs::read_to_string(&path)?;
            write("scenario", &name, text.as_bytes())?;
            if folder.starts_with("host") {
                let tape = from_scenario(&Scenario::parse(&name, &text).expect("a scenario"));
                let mut bytes = Vec::new();
                encode_head(tape.settings(), &mut |item| bytes.extend_from_slice(item));
                let inputs = [
                    Input::Contact(true),
                    Input::Clock(1_900_000_000_000, ClockSource::Signal),
                    Input::FramesLost(3),
                ];
                tape.take(8).chain(inputs).for_each(|input| bytes.extend_from_slice(&encode(&input)));
                write("tape", &name, &bytes)?;
            }
        }
    }
    Ok(())
}

fn here() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn write(target: &str, name: &str, bytes: &[u8]) -> std::io::Result<()> {
    let folder: &Path = &here().join("corpus").join(target);
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join(name), bytes)
}
