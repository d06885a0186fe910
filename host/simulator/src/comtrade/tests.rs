//! The record of a published worked example and every way to damage it.

use proptest::prelude::*;

use super::*;

mod bank;

/// A record in the form of IEEE C37.111-2013; its values and bytes were computed and agreed on by an independent
/// reader and writer in all four encodings.
const CFG: &str = "FEEDER 12,LOGGER-1,2013\r\n7,4A,3D\r\n\
    1,VA,A,CAP1,V,0.5,0.0,0.0,-32767,32767,7200,120,P\r\n\
    2,VB,B,CAP1,V,0.5,0.0,0.0,-32767,32767,7200,120,P\r\n\
    3,VC,C,CAP1,V,0.5,0.0,0.0,-32767,32767,7200,120,P\r\n\
    4,IN,N,CAP1,A,0.01,0.25,0.0,-32767,32767,50,1,P\r\n\
    1,SWA,,CAP1,0\r\n2,SWB,,CAP1,0\r\n3,BLOWN_A,,CAP1,0\r\n60\r\n1\r\n7680,4\r\n\
    05/03/2026,14:07:09.123456\r\n05/03/2026,14:07:09.123717\r\nASCII\r\n1\r\n-5h30,-5h30\r\n4,0\r\n";
const DAT: &str = "1,0,20365,-10182,-10182,0,1,1,0\r\n2,130,20000,-5000,-15000,-25,1,1,1\r\n\
    3,260,-32767,32767,0,2500,0,1,1\r\n4,391,1,2,3,4,0,0,0\r\n";

fn read(cfg: &str, dat: &[u8]) -> Result<Record, Error> {
    Record::parse("example.cfg", cfg.as_bytes(), "example.dat", dat)
}

fn example() -> Record {
    read(CFG, DAT.as_bytes()).unwrap()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn assert_example_values(record: &Record) {
    let close = |found: &[f64], expected: [f64; 4]| {
        for (found, expected) in found.iter().zip(expected) {
            assert!(libm::fabs(found - expected) < 1e-9, "{found} is not {expected}");
        }
    };
    close(&record.analog[0], [10_182.5, 10_000.0, -16_383.5, 0.5]);
    close(&record.analog[1], [-5091.0, -2500.0, 16_383.5, 1.0]);
    close(&record.analog[2], [-5091.0, -7500.0, 0.0, 1.5]);
    close(&record.analog[3], [0.25, 0.0, 25.25, 0.29]);
    assert_eq!(record.status[0], [true, true, false, false]);
    assert_eq!(record.status[1], [true, true, true, false]);
    assert_eq!(record.status[2], [false, true, true, false]);
    assert_eq!(record.missing_samples, 0);
}

#[test]
fn the_example_reads_to_its_published_values() {
    let record = example();
    assert_example_values(&record);
    assert_eq!(record.config.trigger_ns - record.config.start_ns, 261_000);
    // 5 March 2026, 14:07:09.123456 at UTC−5:30 is 19:37:09 UTC.
    assert_eq!(record.config.start_utc_ns(), 1_772_739_429_123_456_000);
    assert_eq!(record.sections, [Section { first: 0, len: 4, start_s: 0.0, hz: 7680.0 }]);
}

#[test]
fn every_encoding_writes_the_published_bytes_and_reads_back() {
    for (encoding, size, first) in [
        (Encoding::Binary, 18, "01 00 00 00 00 00 00 00 8d 4f 3a d8 3a d8 00 00 03 00"),
        (
            Encoding::Binary32,
            26,
            "01 00 00 00 00 00 00 00 8d 4f 00 00 3a d8 ff ff 3a d8 ff ff 00 00 00 00 03 00",
        ),
        (
            Encoding::Float32,
            26,
            "01 00 00 00 00 00 00 00 00 1a 9f 46 00 18 1f c6 00 18 1f c6 00 00 00 00 03 00",
        ),
    ] {
        let mut record = example();
        record.config.encoding = encoding;
        let bytes = record.data_bytes();
        assert_eq!(bytes[..size], hex(first), "{encoding:?}");
        if encoding == Encoding::Binary {
            let third = hex("03 00 00 00 04 01 00 00 01 80 ff 7f 00 00 c4 09 06 00");
            assert_eq!(bytes[36..54], third);
        }
        assert_example_values(&read(&record.config_text(), &bytes).unwrap());
    }
    // 390.6 µs is written rounded down here and rounded to the nearest in the example.
    let ascii = String::from_utf8(example().data_bytes()).unwrap();
    assert_eq!(ascii.replace("4,390,", "4,391,"), DAT);
    assert_example_values(&read(&example().config_text(), ascii.as_bytes()).unwrap());
}

#[test]
fn line_ends_and_letters_of_old_files() {
    let cfg = CFG.replace("\r\n", "\n").replace("FEEDER 12", "FEEDER \u{e9}");
    let latin1: Vec<u8> = cfg.chars().map(|c| c as u32 as u8).collect();
    let dat = DAT.replace("\r\n", "\n") + "\u{1a}";
    let record = Record::parse("example.cfg", &latin1, "example.dat", dat.as_bytes()).unwrap();
    assert_example_values(&record);
    assert_eq!(record.config.station, "FEEDER é");
}

#[test]
fn time_stamps_give_the_rate_where_none_is_stated() {
    let cfg = CFG.replace("1\r\n7680,4\r\n", "0\r\n0,4\r\n").replace("ASCII\r\n1\r\n", "ASCII\r\n10\r\n");
    let dat = DAT.replace("2,130,", "2,13,").replace("3,260,", "3,26,").replace("4,391,", "4,39,");
    let record = read(&cfg, dat.as_bytes()).unwrap();
    // 39 stamps of 10 µs for three steps: rounded to a whole number of hertz.
    assert_eq!(record.sections[0].hz, 7692.0);
    let error = read(&cfg, dat.replace("3,26,", "3,33,").as_bytes()).unwrap_err().to_string();
    assert!(error.contains("sample 3") && error.contains("even"), "{error}");
}

#[test]
fn missing_values_are_known_in_every_encoding() {
    for encoding in [Encoding::Ascii, Encoding::Binary, Encoding::Binary32, Encoding::Float32] {
        let mut record = example();
        record.config.encoding = encoding;
        record.analog[3][1] = f64::NAN;
        let again = read(&record.config_text(), &record.data_bytes()).unwrap();
        assert!(again.analog[3][1].is_nan(), "{encoding:?}");
        assert_eq!(again.analog[3][2], 25.25);
    }
    let wide =
        CFG.replace("IN,N,CAP1,A,0.01,0.25,0.0,-32767,32767", "IN,N,CAP1,A,0.01,0.25,0.0,-999999,999999");
    let dat = DAT.replace(",-25,", ",99999,");
    assert!(read(CFG, dat.as_bytes()).unwrap().analog[3][1].is_nan());
    assert!(libm::fabs(read(&wide, dat.as_bytes()).unwrap().analog[3][1] - 1000.24) < 1e-9);
}

#[test]
fn a_truncated_file_keeps_its_whole_samples() {
    let mut record = example();
    record.config.encoding = Encoding::Binary;
    let (cfg, dat) = (record.config_text(), record.data_bytes());
    let cut = read(&cfg, &dat[..40]).unwrap();
    assert_eq!((cut.len(), cut.missing_samples), (2, 2));
    assert_eq!(cut.analog[0], [10_182.5, 10_000.0]);
    let cut = read(CFG, &DAT.as_bytes()[..DAT.len() - 10]).unwrap();
    assert_eq!((cut.len(), cut.missing_samples), (3, 1));
    let error = read(&cfg, &dat[..17]).unwrap_err().to_string();
    assert!(error.contains("no whole sample"), "{error}");
}

#[test]
fn what_lies_behind_the_announced_samples_is_counted() {
    let mut record = example();
    record.config.encoding = Encoding::Binary;
    let (cfg, mut dat) = (record.config_text(), record.data_bytes());
    let size = dat.len() / 4;
    dat.extend(vec![0; size - 1]);
    // Not room for a sample: the end mark that some writers put there.
    assert_eq!(read(&cfg, &dat).unwrap().bytes_behind, 0);
    dat.extend([0; 3]);
    assert_eq!(read(&cfg, &dat).unwrap().bytes_behind, size as u64 + 2);
    assert_eq!(read(CFG, format!("{DAT}\r\n\x1aold").as_bytes()).unwrap().bytes_behind, 0);
    assert_eq!(read(CFG, format!("{DAT}\r\n5,520,1,2").as_bytes()).unwrap().bytes_behind, 9);
}

#[test]
fn the_dat_file_is_found_in_the_other_letter_case() {
    let folder = tempfile::tempdir().unwrap();
    let cfg = folder.path().join("r.cfg");
    std::fs::write(&cfg, CFG).unwrap();
    std::fs::write(folder.path().join("r.DAT"), DAT).unwrap();
    assert_eq!(Record::read(&cfg).unwrap().len(), 4);
}

/// What is wrong, and the place that the message must name.
#[test]
fn impossible_fields_are_named_with_their_place() {
    for (from, to, expected) in [
        ("2013\r\n7,4A", "1991\r\n7,4A", "line 1: revision 1991"),
        ("2013\r\n7,4A", "2013\r\n7,5A", "line 2: 5 analog and 3 status"),
        ("7,4A", "7,fourA", "line 2: ##A"),
        ("VB,B,CAP1,V,0.5", "VB,B,CAP1,V,half", "line 4: a = \"half\""),
        ("VB,B,CAP1,V,0.5", "VB,B,CAP1,V,inf", "line 4: a = \"inf\""),
        ("VB,B,CAP1,V,0.5", "VB,B,CAP1,V,0", "line 4: a = 0"),
        ("50,1,P", "50,0,S", "line 6: ratio 50 : 0"),
        ("SWA,,CAP1,0", "SWA,,CAP1,2", "line 7: normal state"),
        ("\r\n60\r\n", "\r\n-60\r\n", "line 10: line frequency"),
        ("7680,4", "0,4", "line 12: samp = 0"),
        ("7680,4", "7680,0", "line 12: endsamp = 0"),
        ("05/03/2026,14:07:09.123456", "03/31/2026,14:07:09.123456", "line 13: time of the first sample"),
        ("ASCII", "EBCDIC", "line 15: file type"),
        ("ASCII\r\n1\r\n", "ASCII\r\n-1\r\n", "line 16: timemult"),
        ("-5h30,", "-5h99,", "line 17: time_code"),
    ] {
        let cfg = CFG.replacen(from, to, 1);
        assert_ne!(cfg, CFG, "{from}");
        let error = read(&cfg, DAT.as_bytes()).unwrap_err().to_string();
        assert!(error.starts_with(&format!("example.cfg {expected}")), "{error}");
    }
    for (from, to, expected) in [
        ("3,260", "7,260", "byte 69: sample number 7 follows 2"),
        ("2,130,20000", "2,130,2x", "byte 33: analog channel 1 = \"2x\""),
        ("0,1,1\r\n4", "0,1,9\r\n4", "byte 69: status channel 3 = \"9\""),
        (",-25,", ",", "byte 33: 8 fields where 9 are due"),
    ] {
        let error = read(CFG, DAT.replacen(from, to, 1).as_bytes()).unwrap_err().to_string();
        assert!(error.starts_with(&format!("example.dat {expected}")), "{error}");
    }
    let error = read(&CFG[..100], b"").unwrap_err().to_string();
    assert!(error.starts_with("example.cfg line 4"), "{error}");
}

#[test]
fn a_cut_keeps_time_and_values() {
    let record = example().cut(1.0 / 7680.0, 3.0 / 7680.0, Encoding::Binary32).unwrap();
    let again = read(&record.config_text(), &record.data_bytes()).unwrap();
    assert_eq!(again.len(), 2);
    assert!(libm::fabs(again.analog[0][0] - 10_000.0) < 1e-4);
    assert_eq!(again.config.start_ns - example().config.start_ns, 130_000);
    assert!(example().cut(0.0, 1.0, Encoding::Ascii).unwrap_err().to_string().contains("not within"));
}

proptest! {
    /// Any bytes are answered, not survived by chance.
    #[test]
    fn no_bytes_bring_the_reader_down(cfg in proptest::collection::vec(any::<u8>(), 0..400),
                                      dat in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = Record::parse("c", &cfg, "d", &dat);
    }

    /// A damaged byte or two, anywhere, in any encoding: a record or an error, and what is read can be used.
    #[test]
    fn damage_brings_no_reader_down(encoding in 0_usize..4,
                                    hits in proptest::collection::vec((any::<u16>(), any::<u8>(), any::<bool>()), 1..4)) {
        let mut record = example();
        record.config.encoding = [Encoding::Ascii, Encoding::Binary, Encoding::Binary32, Encoding::Float32][encoding];
        let (mut cfg, mut dat) = (record.config_text().into_bytes(), record.data_bytes());
        for (at, byte, in_cfg) in hits {
            let target = if in_cfg { &mut cfg } else { &mut dat };
            let at = usize::from(at) % target.len();
            target[at] = byte;
        }
        if let Ok(record) = Record::parse("c", &cfg, "d", &dat) {
            prop_assert!(record.len() <= 4);
            if let Ok(channels) = record.bank_channels(&ChannelNames::default()) {
                let _ = record.bank_signals(&channels);
            }
            let _ = record.data_bytes();
        }
    }
}
