//! Loading by hand.

use polars::prelude::{ParquetReader, ParquetWriter, SerReader};
use wyelog_protocol::record::Spectrum;

use super::switching::operation;
use super::weeks::{settings_of_ten_minutes, ten};
use super::*;
use crate::analysis::stress::{limits, stress};
use crate::store::SPECTRA;

/// The same ten minutes with another state.
pub fn in_state(record: Record, state: BankState) -> Record {
    let Record::Interval(interval) = record else { panic!() };
    Record::Interval(Interval { state, ..interval })
}

/// The spectrum of the ten minutes that end at `10·number` minutes: fifth harmonic in percent, current loading in percent.
/// The windows of such a logger as is simulated: it looks at some of them.
fn spectrum(number: u64, fifth: f32, current: f32, flagged: u16) -> Record {
    let mut harmonics = [VoltageHarmonic::quantise(0.0); 24];
    harmonics[3] = VoltageHarmonic::quantise(fifth);
    Record::Spectrum(Spectrum {
        stamp: stamp(10 * number),
        windows: 210,
        flagged,
        voltage: [harmonics; 3],
        neutral: [CurrentHarmonic::quantise(0.0); 24],
        thd: [fifth; 3].map(Quantity::quantise),
        current_loading: [100.0, current, 100.0].map(Quantity::quantise),
        reactive_loading: [110.0; 3].map(Quantity::quantise),
    })
}

#[test]
fn loading_counts_while_the_bank_is_in_and_a_harmonic_rises_with_it() {
    let desk = Desk::new();
    let mut records = vec![settings_of_ten_minutes("Bank 1")];
    // A day, in every other ten minutes: 72 values in and 72 out. What the bank does not carry is worse.
    for n in 1..=144 {
        let is_in = n % 2 == 0;
        let (state, fifth) = if is_in { (BankState::Closed, 3.0) } else { (BankState::Open, 1.5) };
        let (volts, current) = match n {
            _ if !is_in => (8640.0, 200.0),
            4..=14 => (7992.0, 140.0),
            15..=26 => (7200.0, 140.0),
            // Flagged: left out.
            144 => (9000.0, 300.0),
            _ => (7200.0, 130.0),
        };
        let flagged = u16::from(n == 144);
        records.push(in_state(ten(n, [7200.0, volts, 7200.0], 1.0, flagged), state));
        records.push(spectrum(n, fifth, current, flagged));
    }
    // It closes within the second ten minutes: they are neither in nor out.
    let Record::Operation(closing) = operation(15, Action::Closed, None, [None; 3], 50.0, None) else {
        panic!()
    };
    records.push(Record::Operation(Operation { voltage_step: PerUnit::quantise(0.0116), ..closing }));
    desk.take("L1", &records);
    // Another bank is in all the time.
    let always = (1..=6).flat_map(|n| [ten(n, [7200.0; 3], 1.0, 0), spectrum(n, 3.0, 100.0, 0)]);
    desk.take("L2", &std::iter::once(settings_of_ten_minutes("Bank 2")).chain(always).collect::<Vec<_>>());
    let rows = stress(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(rows.column("bank").unwrap().str().unwrap().get(0), Some("Bank 1"));
    near(&rows, "loaded_hours", 0, 71.0 / 6.0);
    near(&rows, "spectrum_hours", 0, 71.0 / 6.0);
    for name in ["flagged_intervals", "flagged_spectra"] {
        assert_eq!(rows.column(name).unwrap().u32().unwrap().get(0), Some(1), "{name}");
    }
    // Six ten minutes at 111 % of 7200 V, twelve at 140 % of the rated current.
    near(&rows, "voltage_over_hours", 0, 1.0);
    near(&rows, "voltage_max_percent", 0, 111.0);
    near(&rows, "voltage_p95_percent", 0, 111.0);
    near(&rows, "current_over_hours", 0, 2.0);
    near(&rows, "current_max_percent", 0, 140.0);
    near(&rows, "current_p95_percent", 0, 140.0);
    near(&rows, "reactive_p95_percent", 0, 110.0);
    near(&rows, "reactive_over_hours", 0, 0.0);
    near(&rows, "thd_max_percent", 0, 3.0);
    // 110 % of the reactive power less that of the fifth is the fundamental's.
    let fifth = VoltageHarmonic::quantise(3.0).value_f64().unwrap();
    let of_unit = fifth / 100.0 * 12_470.0 / 3.0_f64.sqrt() / 7200.0;
    near(&rows, "crest_max_percent", 0, 100.0 * ((1.1 - 5.0 * of_unit * of_unit).sqrt() + of_unit));
    let text = |row| rows.column("resonance").unwrap().str().unwrap().get(row).unwrap().to_owned();
    assert_eq!(rows.column("rising_harmonic").unwrap().u32().unwrap().get(0), Some(5), "{}", text(0));
    near(&rows, "rising_in_percent", 0, fifth);
    near(&rows, "rising_out_percent", 0, VoltageHarmonic::quantise(1.5).value_f64().unwrap());
    let values = ["in_values", "out_values"].map(|name| rows.column(name).unwrap().u64().unwrap().get(0));
    assert_eq!(values, [Some(70), Some(72)]);
    near(&rows, "resonant_order", 0, (1.0_f64 / 0.0116).sqrt());
    assert_eq!(text(1), "cannot be told: no recent spectrum with the bank out");
    assert_eq!(real(&rows, "resonant_order", 1), None);
    near(&rows, "loaded_hours", 1, 1.0);
}

#[test]
fn a_value_of_a_spectrum_stands_for_its_time_not_for_the_windows_looked_at() {
    let desk = Desk::new();
    let at = |record, boot, minute: u64| {
        let Record::Spectrum(spectrum) = record else { panic!() };
        let stamp = Stamp { boot, frame: minute * 288_000, ..spectrum.stamp };
        Record::Spectrum(Spectrum { stamp, ..spectrum })
    };
    let mut records = vec![settings_of_ten_minutes("Bank 1")];
    records.extend((1..=6).flat_map(|n| {
        let flagged = u16::from(n == 5);
        [ten(n, [7200.0; 3], 1.0, flagged), spectrum(n, 3.0, if n < 3 { 130.0 } else { 140.0 }, flagged)]
    }));
    // Four minutes after the next start, then ten minutes more.
    records.push(at(spectrum(7, 3.0, 140.0, 0), 2, 4));
    records.push(at(spectrum(8, 3.0, 140.0, 0), 2, 14));
    desk.take("L1", &records);
    let rows = stress(&desk.store(), &Filter::default()).unwrap();
    // Five of six, and 14 minutes; above 135 % three of them, and those minutes.
    near(&rows, "spectrum_hours", 0, (50.0 + 14.0) / 60.0);
    near(&rows, "current_over_hours", 0, (30.0 + 14.0) / 60.0);
    assert_eq!(rows.column("flagged_spectra").unwrap().u32().unwrap().get(0), Some(1));
}

/// Ten minutes in and ten out, the fifth high while in.
fn a_day_in_and_out() -> Vec<Record> {
    let mut records = vec![settings_of_ten_minutes("Bank 1")];
    for n in 1..=144 {
        let (state, fifth) = if n % 2 == 0 { (BankState::Closed, 3.0) } else { (BankState::Open, 1.5) };
        records.push(in_state(ten(n, [7200.0; 3], 1.0, 0), state));
        records.push(spectrum(n, fifth, 100.0, 0));
    }
    records
}

#[test]
fn what_was_a_month_ago_tells_nothing_of_today() {
    // That day, then one value so many days after its last.
    let desk = |days: u64| {
        let desk = Desk::new();
        let mut records = a_day_in_and_out();
        let last = 144 * (1 + days);
        records.push(in_state(ten(last, [7200.0; 3], 1.0, 0), BankState::Closed));
        records.push(spectrum(last, 3.0, 100.0, 0));
        desk.take("L1", &records);
        let rows = stress(&desk.store(), &Filter::default()).unwrap();
        rows.column("resonance").unwrap().str().unwrap().get(0).unwrap().to_owned()
    };
    let recent = desk(28);
    assert!(recent.starts_with("h5 rises"), "{recent}");
    assert_eq!(desk(30), "cannot be told: no recent spectrum with the bank out");
}

#[test]
fn spectra_that_end_before_the_intervals_are_the_latest_there_are() {
    let desk = Desk::new();
    let mut records = a_day_in_and_out();
    // Intervals alone, a hundred days later; the other bank has spectra then.
    let later = (144 * 100..144 * 100 + 6).map(|n| in_state(ten(n, [7200.0; 3], 1.0, 0), BankState::Closed));
    records.extend(later);
    desk.take("L1", &records);
    let of_other =
        (144 * 100..144 * 100 + 6).flat_map(|n| [ten(n, [7200.0; 3], 1.0, 0), spectrum(n, 3.0, 100.0, 0)]);
    desk.take("L2", &std::iter::once(settings_of_ten_minutes("Bank 2")).chain(of_other).collect::<Vec<_>>());
    let rows = stress(&desk.store(), &Filter::default()).unwrap();
    let of = |bank: &str| {
        let row = rows.column("bank").unwrap().str().unwrap().iter().position(|name| name == Some(bank));
        rows.column("resonance").unwrap().str().unwrap().get(row.unwrap()).unwrap().to_owned()
    };
    assert!(of("Bank 1").starts_with("h5 rises"), "{}", of("Bank 1"));
    assert_eq!(of("Bank 2"), "cannot be told: no recent spectrum with the bank out");
}

#[test]
fn thirty_days_end_with_the_last_spectrum_not_with_the_last_interval() {
    let desk = Desk::new();
    let mut records = a_day_in_and_out();
    // One more on day 25, and intervals to day 40: the day with both is less than thirty days before that spectrum, more before
    // the last interval.
    records.extend([ten(144 * 25, [7200.0; 3], 1.0, 0), spectrum(144 * 25, 3.0, 100.0, 0)]);
    records.push(ten(144 * 40, [7200.0; 3], 1.0, 0));
    desk.take("L1", &records);
    let text = |row: usize| {
        let rows = stress(&desk.store(), &Filter::default()).unwrap();
        let rows = rows.sort(["bank"], Default::default()).unwrap();
        rows.column("resonance").unwrap().str().unwrap().get(row).unwrap().to_owned()
    };
    assert!(text(0).starts_with("h5 rises"), "{}", text(0));
    // Also beside a logger that has no spectra at all.
    desk.take("L2", &[settings_of_ten_minutes("Bank 2"), ten(144 * 40, [7200.0; 3], 1.0, 0)]);
    assert!(text(0).starts_with("h5 rises"), "{}", text(0));
    assert!(text(1).starts_with("cannot be told"), "{}", text(1));
}

#[test]
fn a_store_of_an_older_program_has_the_same_answer_from_the_phases() {
    const NEW: [&str; 4] =
        ["thd_percent", "current_loading_percent", "reactive_loading_percent", "crest_loading_percent"];
    let desk = Desk::new();
    for (device, bank, current) in [("L1", "Bank 1", 120.0), ("L2", "Bank 2", 140.0)] {
        let of = |n: u64| {
            let flagged = u16::from(n == 7);
            [ten(n, [7200.0; 3], 1.0, flagged), spectrum(n, n as f32 / 10.0, current + n as f32, flagged)]
        };
        desk.take(
            device,
            &std::iter::once(settings_of_ten_minutes(bank)).chain((1..=30).flat_map(of)).collect::<Vec<_>>(),
        );
    }
    let ask = || stress(&desk.store(), &Filter::default()).unwrap();
    let new = ask();
    near(&new, "current_max_percent", 0, 170.0);
    near(&new, "thd_max_percent", 0, 3.0);
    let stored = |name: &str| {
        let rows = desk.store().scan_rows(&SPECTRA).unwrap().collect().unwrap();
        rows.column(name).unwrap().f64().unwrap().iter().flatten().reduce(f64::max)
    };
    assert_eq!(stored("current_loading_percent"), Some(170.0));
    assert_eq!(stored("reactive_loading_percent"), Some(110.0));
    assert_eq!(stored("crest_loading_percent"), real(&new, "crest_max_percent", 0));
    // One file after the other as an older program wrote it.
    let store = desk.store();
    let files = store.marks().iter().flat_map(|mark| mark.files.clone());
    let spectra: Vec<_> = files.filter(|file| file.starts_with("spectra/")).collect();
    assert_eq!(spectra.len(), 2);
    for file in spectra {
        let path = store.dir().join(file);
        let frame = ParquetReader::new(fs::File::open(&path).unwrap()).finish().unwrap();
        ParquetWriter::new(fs::File::create(&path).unwrap()).finish(&mut frame.drop_many(NEW)).unwrap();
        let old = ask();
        assert!(old.equals_missing(&new), "{old:?}, not {new:?}");
    }
    assert_eq!(stored("current_loading_percent"), None);
}

#[test]
fn limits_are_those_of_ieee_18() {
    // 110, 120, 135 and 135 % (IEEE Std 18-2002).
    assert_eq!(limits().map(|of| of.limit_percent), [110.0, 120.0, 135.0, 135.0]);
}

#[test]
fn a_bank_that_is_in_nobody_s_way_has_no_loading() {
    let desk = Desk::new();
    let open = (1..=6).map(|n| in_state(ten(n, [8640.0; 3], 1.0, 0), BankState::Open));
    desk.take("L1", &std::iter::once(settings_of_ten_minutes("Bank 1")).chain(open).collect::<Vec<_>>());
    let rows = stress(&desk.store(), &Filter::default()).unwrap();
    near(&rows, "loaded_hours", 0, 0.0);
    assert_eq!(real(&rows, "voltage_p95_percent", 0), None);
}
