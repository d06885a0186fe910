//! Logs that do not say whose they are: their first piece is damaged.

use wyelog_protocol::quantity::{Current, Frequency, PerUnit, Percent, Voltage};
use wyelog_protocol::record::{BankState, Interval, MAX_RECORD_BYTES, Quality, Range, Stamp};

use super::*;

/// A minute of a bank at these volts.
fn minute(number: u32, volts: f32) -> Record {
    let volts = Voltage::quantise(volts);
    let frame = u64::from(number) * 288_000;
    Record::Interval(Interval {
        stamp: Stamp { boot: 1, frame, utc_ms: None },
        windows: 300,
        flagged: 0,
        frequency: Frequency::quantise(60.0),
        voltage: [Range { rms: volts, min: volts, max: volts }; 3],
        neutral: Range { rms: Current::quantise(1.0), min: Current::ABSENT, max: Current::ABSENT },
        residual: PerUnit::ABSENT,
        neutral_phasor: Default::default(),
        residual_phasor: Default::default(),
        u2: Percent::ABSENT,
        u0: Percent::ABSENT,
        nema: Percent::ABSENT,
        connected: [PerUnit::ABSENT; 3],
        quality: Quality::default(),
        state: BankState::Closed,
    })
}

/// The log of a logger with the minutes `numbers` at these volts.
fn of(serial: &str, numbers: std::ops::Range<u32>, volts: fn(u32) -> f32) -> Vec<u8> {
    let mut identity = Log::from_source(log("healthy").as_slice()).unwrap().identity.unwrap();
    identity.serial = serial.to_owned();
    let mut writer = LogWriter::new(Vec::new());
    writer.identity(&identity.message()).unwrap();
    for number in numbers.clone() {
        let mut bytes = [0; MAX_RECORD_BYTES];
        writer.record(number, minute(number, volts(number)).encode(&mut bytes).unwrap()).unwrap();
    }
    writer.end(Extent { boot: 1, oldest: 0, next: numbers.end, refused: 0 }).unwrap();
    writer.into_sink().unwrap()
}

/// The same with a bit of its first piece flipped.
fn of_nobody(mut log: Vec<u8>) -> Vec<u8> {
    log[9] ^= 4;
    assert!(Log::from_source(log.as_slice()).unwrap().identity.is_none());
    log
}

fn varying(number: u32) -> f32 {
    7200.0 + number as f32
}

fn others(number: u32) -> f32 {
    7300.0 - number as f32
}

fn devices(desk: &Desk) -> Vec<Option<String>> {
    let mut devices = desk.texts(&INTERVALS, "device");
    devices.dedup();
    devices
}

fn unclaimed(verdict: &Verdict) -> &str {
    match verdict {
        Verdict::Unclaimed(why) => why,
        other => panic!("{other:?}"),
    }
}

#[test]
fn it_is_that_of_the_logger_that_has_its_records() {
    let desk = Desk::new();
    // Both were started at once, and have the same numbers and frames.
    desk.ingest("1.log", &of("L1", 0..20, varying));
    desk.ingest("2.log", &of("L2", 0..20, others));
    let verdict = desk.ingest("3.log", &of_nobody(of("L1", 10..30, varying)));
    assert_eq!(taken(&verdict), (10, 10));
    let Verdict::Taken { device, notes, .. } = verdict else { panic!() };
    assert!(device == "L1" && notes[0].contains("its records are those of logger L1"), "{notes:?}");
    assert_eq!(desk.rows(&INTERVALS).height(), 50);
    assert_eq!(desk.store().marks().iter().filter(|mark| mark.whose == Whose::Records).count(), 1);
    // Two equal minutes are none too many for chance.
    let verdict = desk.ingest("4.log", &of_nobody(of("L2", 18..40, others)));
    assert!(unclaimed(&verdict).contains("no logger in the store has its records"));
}

#[test]
fn a_log_whose_file_is_called_like_its_logger_is_one_of_it() {
    let desk = Desk::new();
    desk.ingest("L1", &of("L1", 0..20, varying));
    assert_eq!(taken(&desk.ingest("3.log", &of_nobody(of("L1", 10..30, varying)))), (10, 10));
}

#[test]
fn a_log_of_the_same_call_tells_it_too() {
    let desk = Desk::new();
    let paths = ["a.log", "b.log"].map(|name| desk.folder.path().join(name));
    fs::write(&paths[0], of_nobody(of("L1", 0..20, varying))).unwrap();
    fs::write(&paths[1], of("L1", 0..10, varying)).unwrap();
    let mut told = Vec::new();
    desk.store().writer().unwrap().ingest_all(&paths, &mut |one| told.push(one.verdict)).unwrap();
    assert_eq!(told.iter().map(taken).collect::<Vec<_>>(), [(10, 0), (10, 10)]);
    assert_eq!(devices(&desk), [Some("L1".to_owned())]);
}

#[test]
fn loggers_that_measured_nothing_or_the_same_prove_nothing() {
    // On a bench, without a signal and without a clock.
    let desk = Desk::new();
    desk.ingest("1.log", &of("L1", 0..20, |_| 0.0));
    unclaimed(&desk.ingest("2.log", &of_nobody(of("L2", 0..20, |_| 0.0))));
    // A steady source.
    let desk = Desk::new();
    desk.ingest("1.log", &of("L1", 0..20, |_| 7200.0));
    unclaimed(&desk.ingest("2.log", &of_nobody(of("L2", 0..20, |_| 7200.0))));
    // The same signal on both.
    let desk = Desk::new();
    desk.ingest("1.log", &of("L1", 0..20, varying));
    desk.ingest("2.log", &of("L2", 0..20, varying));
    let verdict = desk.ingest("3.log", &of_nobody(of("L2", 0..20, varying)));
    assert!(unclaimed(&verdict).contains("those of several loggers: L1, L2"), "{verdict:?}");
}

#[test]
fn it_is_kept_aside_until_somebody_says_whose_it_is() {
    let desk = Desk::new();
    let bytes = of_nobody(of("L1", 0..20, varying));
    // Twice, and one that overlaps: nobody's records count.
    for (name, bytes) in
        [("a.log", &bytes), ("a.log", &bytes), ("b.log", &of_nobody(of("L1", 5..30, varying)))]
    {
        unclaimed(&desk.ingest(name, bytes));
    }
    assert_eq!((desk.rows(&INTERVALS).height(), desk.store().marks().len()), (0, 0));
    let mut kept = Vec::new();
    collect_files(&desk.dir().join("unclaimed"), &mut kept);
    assert_eq!(kept.len(), 2);
    let kept = kept.into_iter().find(|path| fs::read(path).unwrap() == bytes).unwrap();
    let say = |desk: &Desk, path: &Path, device: &str| {
        let mut store = desk.store();
        let mut writer = store.writer().unwrap();
        writer.say_device(device);
        writer.ingest(path).unwrap().verdict
    };
    // A number that nobody knows may be a slip of the pen.
    assert!(unclaimed(&say(&desk, &kept, "L1")).contains("nor the register names a logger L1"));
    fs::write(desk.dir().join("banks.csv"), "bank,device\nOak,L1\n").unwrap();
    assert_eq!(taken(&say(&desk, &kept, " L1 ")), (20, 0));
    // The next one that writes takes it away, and the other is known by its records now.
    drop(desk.store().writer().unwrap());
    let mut left = Vec::new();
    collect_files(&desk.dir().join("unclaimed"), &mut left);
    assert!(left.len() == 1 && !kept.exists());
    let verdict = say(&desk, &left[0], "L2");
    assert_eq!(taken(&verdict), (10, 15));
    assert!(matches!(&verdict, Verdict::Taken { device, notes, .. }
        if device == "L1" && notes[0].ends_with("of logger L1, not of L2")));
    // Into another store from raw/: nobody has to say it again.
    let other = Desk::new();
    let mut raw = Vec::new();
    collect_files(&desk.dir().join("raw"), &mut raw);
    other.store().writer().unwrap().ingest_all(&raw, &mut |_| {}).unwrap();
    assert_eq!((devices(&other), other.rows(&INTERVALS).height()), (vec![Some("L1".to_owned())], 30));
}

#[test]
fn a_log_that_says_whose_it_is_is_believed_and_a_wrong_logger_is_noticed() {
    let desk = Desk::new();
    let path = desk.folder.path().join("a.log");
    let say = |bytes: &[u8]| {
        fs::write(&path, bytes).unwrap();
        let mut store = desk.store();
        let mut writer = store.writer().unwrap();
        writer.say_device("L2");
        match writer.ingest(&path).unwrap().verdict {
            Verdict::Taken { device, notes, .. } => (device, notes.join("; ")),
            other => panic!("{other:?}"),
        }
    };
    let (device, notes) = say(&of("L1", 0..20, varying));
    assert!(device == "L1" && notes.contains("not as one of L2"), "{device}: {notes}");
    desk.ingest("2.log", &of("L2", 0..20, varying));
    fs::write(&path, of_nobody(of("L3", 10..30, others))).unwrap();
    let mut store = desk.store();
    let mut writer = store.writer().unwrap();
    writer.say_device("L2");
    let verdict = writer.ingest(&path).unwrap().verdict;
    assert!(unclaimed(&verdict).contains("10 intervals measured something else than what logger L2"));
    drop(writer);
    // Nothing of it is mixed in, and it is not forgotten.
    assert_eq!((desk.rows(&INTERVALS).height(), desk.store().unclaimed().len()), (40, 1));
}
