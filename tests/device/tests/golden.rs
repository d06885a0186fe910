//! The bytes of version 1 are for ever: golden bytes of every record and packet, the schema that describes them, and
//! the example of WIRE.md.
//!
//! `WYELOG_WRITE_EXPECTED=1 cargo test -p wyelog-device-tests --test golden` adds to `golden/wire.txt` what is new. A line that
//! *changes* would break every log that was ever written: that it never writes.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use serde::Deserialize;
use wyelog_device_tests::schema::{Definition, Schema, Seen, Type};
use wyelog_device_tests::shape::{Asker, Shape, shape, variants, variants_of};
use wyelog_device_tests::{samples, schema::Payload};
use wyelog_protocol::bank::{Connection, Fusing, Location, RatedFrequency, SensorKind, Switching};
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::message::{
    FromLogger, MAX_PACKET_BYTES, MAX_RECORDS_BYTES, Replaced, Reply, Request, ToLogger,
};
use wyelog_protocol::quantity::{SCALES, STEPPED};
use wyelog_protocol::record::{
    Action, BankState, BaselineReason, BaselineState, Basis, ClockSource, CrashCause, Envelope, Follows,
    KINDS, MAX_RECORD_BYTES, Record, Reset, Stamp, Status, StatusRecord,
};
use wyelog_protocol::{FRAMES_PER_SECOND, SCHEMA, SCHEMA_TEXT, frame};

const UPDATE: &str = "WYELOG_WRITE_EXPECTED";

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").expect("a String takes everything");
        text
    })
}

fn record_bytes(record: &Record) -> Vec<u8> {
    record.encode(&mut [0; MAX_RECORD_BYTES]).expect("a record fits").to_vec()
}

fn sample_record(name: &str) -> Vec<u8> {
    let (_, record) =
        samples::records().into_iter().find(|sample| sample.0 == name).expect("a sample's name");
    record_bytes(&record)
}

/// Every sample as (name, bytes), each read back to the same value on the way.
fn golden() -> Vec<(String, Vec<u8>)> {
    let mut lines = Vec::new();
    for (name, record) in samples::records() {
        let bytes = record_bytes(&record);
        let (envelope, rest) = Envelope::parse(&bytes).unwrap();
        assert_eq!((envelope.decode().unwrap(), rest), (record, &[][..]), "{name}");
        lines.push((format!("record {name}"), bytes));
    }
    for (name, packet) in samples::to_logger() {
        let bytes = postcard::to_stdvec(&packet).unwrap();
        assert_eq!(postcard::from_bytes::<ToLogger>(&bytes).unwrap(), packet, "{name}");
        lines.push((format!("to_logger {name}"), bytes));
    }
    let settings = sample_record("settings");
    let two = [sample_record("status_frames_lost"), sample_record("event_blown_fuse_detected")].concat();
    for (name, packet) in samples::from_logger(&settings, &two) {
        let bytes = postcard::to_stdvec(&packet).unwrap();
        assert_eq!(postcard::from_bytes::<FromLogger>(&bytes).unwrap(), packet, "{name}");
        let framed = frame::encode(&bytes, &mut [0; frame::MAX_FRAME_BYTES]).expect("a packet fits").to_vec();
        lines.push((format!("from_logger {name}"), bytes));
        lines.push((format!("frame {name}"), framed));
    }
    lines
}

#[test]
fn every_byte_is_the_golden_one() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("golden/wire.txt");
    let golden: Vec<String> =
        golden().into_iter().map(|(name, bytes)| format!("{name} {}", hex(&bytes))).collect();
    let kept = fs::read_to_string(&path).unwrap();
    let (head, kept) = kept.split_once('\n').expect("a head line");
    for old in kept.lines() {
        assert!(
            golden.iter().any(|new| new == old),
            "a record or packet of version 1 has other bytes than {old}: give the new form a version of its own"
        );
    }
    if std::env::var_os(UPDATE).is_some_and(|value| value == "1") {
        fs::write(&path, format!("{head}\n{}\n", golden.join("\n"))).unwrap();
    } else {
        let kept: Vec<&str> = kept.lines().collect();
        assert_eq!(golden, kept, "a sample is new: {UPDATE}=1 adds it");
    }
}

fn schema() -> Schema {
    Schema::parse(SCHEMA_TEXT)
}

fn record_shape(record: &Record) -> Shape {
    match record {
        Record::Interval(record) => shape(record),
        Record::Event(record) => shape(record),
        Record::Status(record) => shape(record),
        Record::Settings(record) => shape(record),
        Record::Spectrum(record) => shape(record),
        Record::Capture(record) => shape(record),
        Record::Operation(record) => shape(record),
        Record::Bank(record) => shape(record),
        Record::Baseline(record) => shape(record),
    }
    .expect("nothing but what has a place on the wire")
}

#[test]
fn every_struct_is_as_the_schema_says() {
    let (schema, mut seen) = (schema(), Seen::default());
    let mut compare = |name: &str, shape, of: &Type| {
        schema.compare(&shape, of, &of.name, &mut seen).unwrap_or_else(|error| panic!("{name}: {error}"));
    };
    for (name, record) in samples::records() {
        let kind =
            schema.records.iter().find(|line| line.0 == record.kind().number()).expect("its record line");
        compare(&name, record_shape(&record), &kind.3);
    }
    let packet =
        |name: &str| schema.packets.iter().find(|line| line.0 == name).expect("its packet line").1.clone();
    for (name, sample) in samples::to_logger() {
        compare(name, shape(&sample).unwrap(), &packet("to_logger"));
    }
    let bytes = sample_record("settings");
    for (name, sample) in samples::from_logger(&bytes, &bytes) {
        compare(name, shape(&sample).unwrap(), &packet("from_logger"));
    }

    // What no sample shows has not been compared.
    let defined: BTreeSet<String> = schema.definitions.keys().cloned().collect();
    assert_eq!(defined, seen.definitions, "a definition of schema.txt is in no sample");
    for (name, definition) in &schema.definitions {
        let Definition::Enum(variants) = definition else { continue };
        for (_, variant, _) in variants {
            assert!(seen.variants.contains(&format!("{name}::{variant}")), "no sample of {name}::{variant}");
        }
    }
    for (path, present) in &seen.options {
        assert!(present, "{path} is absent in every sample");
    }
    for (path, (limit, longest)) in &seen.lengths {
        assert_eq!(
            limit, longest,
            "{path}: limit in schema.txt, and length of a sample made as long as it may be"
        );
    }
}

#[test]
fn every_enum_is_as_the_schema_says() {
    let schema = schema();
    let rust = [
        ("Condition", variants::<Condition>()),
        ("Cause", variants::<Cause>()),
        ("Change", variants::<Change>()),
        ("Connection", variants::<Connection>()),
        ("Switching", variants::<Switching>()),
        ("Fusing", variants::<Fusing>()),
        ("SensorKind", variants::<SensorKind>()),
        ("BankState", variants::<BankState>()),
        ("Basis", variants::<Basis>()),
        ("BaselineState", variants::<BaselineState>()),
        ("BaselineReason", variants::<BaselineReason>()),
        ("Replaced", variants::<Replaced>()),
        ("Action", variants::<Action>()),
        ("RatedFrequency", variants::<RatedFrequency>()),
        ("Location", variants::<Location>()),
        ("Reset", variants::<Reset>()),
        ("CrashCause", variants::<CrashCause>()),
        ("ClockSource", variants::<ClockSource>()),
        ("Follows", variants::<Follows>()),
        ("Status", variants::<Status>()),
        ("Request", variants::<Request>()),
        ("Reply", variants_of(|asker: Asker| Reply::deserialize(asker).map(drop))),
    ];
    for (name, rust) in rust {
        let Some(Definition::Enum(text)) = schema.definitions.get(name) else {
            panic!("schema.txt: no enum {name}")
        };
        let numbered: Vec<(u32, &str)> = (0..).zip(rust.iter().copied()).collect();
        let text: Vec<(u32, &str)> = text.iter().map(|variant| (variant.0, variant.1.as_str())).collect();
        assert_eq!(text, numbered, "{name}: schema.txt, then the Rust enum");
    }
    let enums = schema.definitions.values().filter(|definition| matches!(definition, Definition::Enum(_)));
    assert_eq!(enums.count(), rust.len(), "an enum of schema.txt is not compared here");
}

/// Logs, JSON and tables call a variant what the schema calls it, in snake case.
#[test]
fn every_name_is_that_of_the_schema() {
    let names = [
        ("Condition", Condition::ALL.map(Condition::name).to_vec()),
        ("Cause", Cause::ALL.map(Cause::name).to_vec()),
        ("BankState", BankState::ALL.map(BankState::name).to_vec()),
        ("Basis", Basis::ALL.map(Basis::name).to_vec()),
        ("BaselineState", BaselineState::ALL.map(BaselineState::name).to_vec()),
        ("BaselineReason", BaselineReason::ALL.map(BaselineReason::name).to_vec()),
        ("Action", [Action::Opened, Action::Closed].map(Action::name).to_vec()),
        ("Change", [Change::Detected, Change::Announced, Change::Ended].map(Change::name).to_vec()),
    ];
    let schema = schema();
    for (of, names) in names {
        let Some(Definition::Enum(variants)) = schema.definitions.get(of) else {
            panic!("schema.txt: no enum {of}")
        };
        let snake: Vec<String> = variants.iter().map(|variant| snake(&variant.1)).collect();
        assert_eq!(snake, names, "{of}: schema.txt, then the names");
    }
}

fn snake(name: &str) -> String {
    let mut text = String::new();
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && !text.is_empty() {
            text.push('_');
        }
        text.push(letter.to_ascii_lowercase());
    }
    text
}

#[test]
fn quantities_constants_and_kinds_are_as_the_schema_says() {
    let schema = schema();
    let names: Vec<&str> = SCALES.iter().map(|scale| scale.0).collect();
    assert_eq!(schema.quantities, names);
    for &(name, unit, steps, smallest, largest) in SCALES {
        let rust = Definition::Quantity(unit.to_owned(), steps, smallest, largest);
        assert_eq!(schema.definitions.get(name), Some(&rust), "{name}");
    }
    for &(name, unit, steps) in STEPPED {
        assert_eq!(
            schema.definitions.get(name),
            Some(&Definition::Stepped(unit.to_owned(), steps)),
            "{name}"
        );
    }
    assert_eq!(schema.packed, ["Interval", "Spectrum"]);
    let constants = [
        ("frames_per_second", FRAMES_PER_SECOND),
        ("max_packet_bytes", u32::try_from(MAX_PACKET_BYTES).unwrap()),
        ("max_record_bytes", u32::try_from(MAX_RECORD_BYTES).unwrap()),
        ("max_records_bytes", u32::try_from(MAX_RECORDS_BYTES).unwrap()),
    ];
    assert_eq!(schema.constants, constants.map(|(name, value)| (name.to_owned(), value)).into());
    let kinds: Vec<(u8, u8)> = schema.records.iter().map(|line| (line.0, line.1)).collect();
    assert_eq!(kinds, KINDS.map(|(kind, version)| (kind.number(), version)));
    let Some(Definition::Set(members)) = schema.definitions.get("Phases") else {
        panic!("schema.txt: no set Phases")
    };
    let letters: Vec<&str> = wyelog_protocol::condition::Phases::from_bits(0xFF).letters().collect();
    assert_eq!(*members, letters);
}

/// What the schema says, and what it must not say instead.
type Edit = (&'static str, &'static str);

/// Negative control: an edit on one side alone is found.
#[test]
fn a_schema_that_differs_is_found() {
    let whole = SCHEMA_TEXT.replace('\r', "");
    let samples = samples::records();
    let compare = |name: &str, of: &str, text: &str| {
        let (_, record) = samples.iter().find(|sample| sample.0 == name).expect("a sample's name");
        Schema::parse(text).compare(&record_shape(record), &Type::parse(of), "", &mut Seen::default())
    };
    let edits: [(&str, &str, &[Edit]); 4] = [
        (
            "interval",
            "Interval",
            &[
                ("  u2 Percent\n  u0 Percent\n", "  u0 Percent\n  u2 Percent\n"),
                ("  flagged u16", "  flagged u32"),
                ("  nema Percent\n", ""),
                ("  nema Percent\n", "  nema Current\n"),
                ("  connected array<PerUnit,3> ", "  connected array<PerUnit,4> "),
                ("  voltage array<Range<Voltage>,3>", "  voltage array<Range<Current>,3>"),
                ("  utc_ms time", "  utc_ms u64"),
                ("  common_basis Basis\n", "  common_basis BankState\n"),
                ("  2 Closed\n", "  2 Shut\n"),
            ],
        ),
        (
            "event_blown_fuse_detected",
            "Event",
            &[
                ("  causes vec<Cause,4> ", "  causes vec<Change,4> "),
                ("  causes vec<Cause,4> ", "  causes array<Cause,4> "),
                ("  causes vec<Cause,4> ", "  causes Cause "),
                ("  5 PoleOpened\n", "  32 PoleOpened\n"),
            ],
        ),
        (
            "operation_opened",
            "Operation",
            &[("  told option<bool>", "  told option<u8>"), ("  told option<bool>", "  told bool")],
        ),
        ("settings", "SettingsRecord", &[("  has_contact bool", "  has_contact u8")]),
    ];
    for (name, of, edits) in edits {
        assert_eq!(compare(name, of, &whole), Ok(()));
        for (right, wrong) in edits {
            assert!(whole.contains(right), "{right}");
            assert!(compare(name, of, &whole.replace(right, wrong)).is_err(), "{wrong} was not noticed");
        }
    }
    let parsed = Schema::parse("enum E\n  0 A x:u8\n");
    let fields = Payload::Fields(vec![("x".to_owned(), Type::parse("u8"))]);
    assert_eq!(parsed.definitions["E"], Definition::Enum(vec![(0, "A".to_owned(), fields)]));
}

/// FNV-1a 64 as WIRE.md puts it, by a second hand.
#[test]
fn the_schema_hash_is_made_as_wire_md_says() {
    let hash =
        SCHEMA_TEXT.bytes().filter(|byte| *byte != 13).fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (u128::from(hash ^ u64::from(byte)) * 0x0000_0100_0000_01b3 % (1 << 64)).try_into().unwrap()
        });
    assert_eq!(SCHEMA, hash);
}

#[test]
fn the_example_of_wire_md_is_true() {
    let wire = include_str!("../../../protocol/WIRE.md").replace('\r', "");
    let block = wire.split("```example\n").nth(1).expect("WIRE.md: no example block");
    let block = block.split("```").next().unwrap();
    let bytes = |part: &str| -> Vec<u8> {
        let digits: String = block
            .lines()
            .filter_map(|line| line.strip_prefix(part))
            .map(|line| line.split("  ").next().unwrap_or_default().replace(' ', ""))
            .collect();
        digits
            .as_bytes()
            .chunks(2)
            .map(|two| u8::from_str_radix(str::from_utf8(two).unwrap(), 16).unwrap())
            .collect()
    };
    let stamp = Stamp { boot: 2, frame: 1_440_000, utc_ms: None };
    let record = Record::Status(StatusRecord { stamp, status: Status::FramesLost { count: 960 } });
    let record = record_bytes(&record);
    let packet = FromLogger { number: 0, reply: Reply::Records { first: 4711, bytes: &record } };
    let packet = postcard::to_stdvec(&packet).unwrap();
    let framed = frame::encode(&packet, &mut [0; frame::MAX_FRAME_BYTES]).unwrap().to_vec();
    assert_eq!(hex(&bytes("packet ")), hex(&packet));
    assert_eq!(hex(&bytes("frame  ")), hex(&framed));
}
