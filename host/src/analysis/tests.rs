//! Hand-worked numbers on a store of invented records.

mod days;
mod quality;
mod register;
mod stress;
mod switching;
mod usage;
mod weeks;

use std::fs;

use polars::prelude::{DataFrame, IntoLazy, df};
use proptest::prelude::*;
use tempfile::TempDir;
use wyelog_protocol::bank::{
    Build, Connection, Limits, Location, Nameplate, RatedFrequency, Sensors, Settings, VoltageSensor,
};
use wyelog_protocol::cause::{Cause, Causes};
use wyelog_protocol::condition::{Change, Condition, Phases};
use wyelog_protocol::message::{Extent, Identity};
use wyelog_protocol::quantity::*;
use wyelog_protocol::record::{
    Action, BankState, Basis, Event, Evidence, Interval, MAX_RECORD_BYTES, Moment, Operation, Quality, Range,
    Record, SettingsRecord, Stamp,
};
use wyelog_protocol::text;

use super::alarm_history::alarm_history;
use super::kvar::kvar;
use super::unbalance::{ieee_936, pvur, unbalance};
use super::*;
use crate::log::LogWriter;
use crate::store::Store;

/// 1 May 2030, 00:00 UTC.
pub(super) const START_MS: u64 = 1_903_824_000_000;

pub(super) fn stamp(minute: u64) -> Stamp {
    Stamp { boot: 1, frame: minute * 288_000, utc_ms: Some(START_MS + minute * 60_000) }
}

pub(super) fn moment(minute: f64) -> Moment {
    let frame = (minute * 288_000.0) as u64;
    Moment { frame, utc_ms: Some(START_MS + frame * 5 / 24) }
}

/// 600 kvar, 7200 V units, 60 Hz.
pub(super) fn settings(name: &str) -> Record {
    let sensor = VoltageSensor::new(Location::Line, Voltage::quantise(25_000.0));
    let nameplate = Nameplate {
        name: text(name),
        connection: Connection::GroundedWye,
        rated_power: ReactivePower::quantise(600.0),
        system_voltage: Voltage::quantise(12_470.0),
        unit_voltage: Voltage::quantise(7200.0),
        frequency: RatedFrequency::Hz60,
        units_per_phase: 1,
        build: Build::DEFAULT,
    };
    let sensors = Sensors::new([sensor; 3], Current::quantise(800.0));
    let settings = Settings { nameplate, sensors, limits: Limits::DEFAULT, interval_s: 60 };
    Record::Settings(SettingsRecord { stamp: Stamp { utc_ms: None, ..stamp(0) }, settings })
}

/// The minute that ends at `minute`.
pub(super) fn interval(minute: u64, volts: [f32; 3], connected: [f32; 3], u2: f32, flagged: u16) -> Record {
    let range = |volts: f32| {
        let volts = Voltage::quantise(volts);
        Range { rms: volts, min: volts, max: volts }
    };
    Record::Interval(Interval {
        stamp: stamp(minute),
        windows: 300,
        flagged,
        frequency: Frequency::quantise(60.0),
        voltage: volts.map(range),
        neutral: Range::default(),
        residual: PerUnit::quantise(0.01),
        neutral_phasor: Default::default(),
        residual_phasor: Default::default(),
        u2: Percent::quantise(u2),
        u0: Percent::ABSENT,
        nema: Percent::quantise(u2),
        connected: connected.map(PerUnit::quantise),
        quality: Quality::default(),
        state: BankState::Closed,
    })
}

pub(super) fn event(minute: u64, change: Change, begin: f64, end: Option<f64>) -> Record {
    Record::Event(Event {
        stamp: stamp(minute),
        occurrence: 1,
        condition: Condition::BlownFuse,
        change,
        phases: Phases::single(1),
        fraction: PerUnit::ABSENT,
        causes: Causes::new(),
        begin: moment(begin),
        end: end.map(moment),
        evidence: Evidence { residual: PerUnit::quantise(1.0), ..Evidence::default() },
    })
}

pub(super) struct Desk {
    folder: TempDir,
}

impl Desk {
    pub(super) fn new() -> Self {
        Self { folder: TempDir::new().unwrap() }
    }

    /// Takes a log of these records in.
    pub(super) fn take(&self, serial: &str, records: &[Record]) -> &Self {
        self.take_numbers(serial, serial, records, |_| true)
    }

    /// Takes a log, by the name of its file, of those of the records whose numbers are `wanted`.
    fn take_numbers(
        &self,
        serial: &str,
        file: &str,
        records: &[Record],
        wanted: impl Fn(u32) -> bool,
    ) -> &Self {
        let mut writer = LogWriter::new(Vec::new());
        let identity = Identity {
            schema: 0,
            firmware: "",
            board: "",
            device: text(serial),
            boot: 1,
            frames_per_second: 4800,
            kinds: Default::default(),
        };
        writer.identity(&identity).unwrap();
        for (sequence, record) in (0..).zip(records).filter(|(sequence, _)| wanted(*sequence)) {
            writer.record(sequence, record.encode(&mut [0; MAX_RECORD_BYTES]).unwrap()).unwrap();
        }
        let all = u32::try_from(records.len()).unwrap();
        let next = (0..all).rev().find(|number| wanted(*number)).map_or(0, |last| last + 1);
        writer.end(Extent { boot: 1, oldest: 0, next, refused: 0 }).unwrap();
        let path = self.folder.path().join(file);
        fs::write(&path, writer.into_sink().unwrap()).unwrap();
        let mut store = self.store();
        store.writer().unwrap().ingest(&path).unwrap();
        self
    }

    pub(super) fn store(&self) -> Store {
        Store::open_or_create(&self.folder.path().join("store")).unwrap()
    }
}

pub(super) fn real(frame: &DataFrame, column: &str, row: usize) -> Option<f64> {
    frame.column(column).unwrap().f64().unwrap().get(row)
}

pub(super) fn near(frame: &DataFrame, column: &str, row: usize, expected: f64) {
    let value = real(frame, column, row).unwrap_or(f64::NAN);
    assert!((value - expected).abs() < 1e-6 * expected.abs().max(1.0), "{column}: {value}, not {expected}");
}

pub(super) const HEALTHY: [f32; 3] = [1.0; 3];

#[test]
fn unbalance_means_percentiles_and_flags() {
    let desk = Desk::new();
    let minute = |n: u64, u2: f32, flagged| interval(n, [7200.0, 7056.0, 7344.0], HEALTHY, u2, flagged);
    desk.take(
        "L1",
        &[settings("Bank 1"), minute(1, 1.0, 0), minute(2, 2.0, 0), minute(3, 3.0, 0), minute(4, 50.0, 7)],
    );
    let rows = unbalance(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(rows.height(), 1);
    // √((1 + 4 + 9)/3); 95 % of the way along three ranks is 2.9.
    near(&rows, "u2_mean_percent", 0, 2.160_246_899);
    near(&rows, "u2_p95_percent", 0, 2.9);
    near(&rows, "u2_max_percent", 0, 3.0);
    assert_eq!(real(&rows, "u0_mean_percent", 0), None);
    // 7200, 7056, 7344 V: PVUR 2.00000 %, IEEE 936 4.00000 % (phase rms, 120 degrees apart).
    near(&rows, "pvur_mean_percent", 0, 2.0);
    near(&rows, "ieee_936_mean_percent", 0, 4.0);
    near(&rows, "hours", 0, 4.0 / 60.0);
    assert_eq!(rows.column("flagged_intervals").unwrap().u32().unwrap().get(0), Some(1));
}

#[test]
fn kvar_and_kvarh_of_an_hour() {
    let desk = Desk::new();
    // 200 kvar at 7200 V; 220.5 at 7560 V; half of C gone. Then ten minutes in which nothing could be told.
    let mut records = vec![settings("Bank 1")];
    records.extend((1..=60).map(|n| interval(n, [7200.0, 7560.0, 7200.0], [1.0, 1.0, 0.5], 1.0, 0)));
    records.extend((61..=70).map(|n| interval(n, [0.0; 3], [f32::NAN; 3], 1.0, 300)));
    desk.take("L1", &records);
    let rows = kvar(&desk.store(), &Filter::default()).unwrap();
    near(&rows, "known_hours", 0, 1.0);
    near(&rows, "hours", 0, 70.0 / 60.0);
    near(&rows, "kvar_a", 0, 200.0);
    near(&rows, "kvar_b", 0, 220.5);
    near(&rows, "kvarh_c", 0, 100.0);
    near(&rows, "kvarh_lost_c", 0, 100.0);
    near(&rows, "kvarh_lost_a", 0, 0.0);
    near(&rows, "available_percent", 0, 100.0 * 520.5 / 620.5);
}

#[test]
fn kvar_says_what_the_common_part_rests_on() {
    let desk = Desk::new();
    let with = |record: Record, basis| {
        let Record::Interval(interval) = record else { panic!() };
        let quality =
            Quality { common_sigma: PerUnit::quantise(0.01), common_basis: basis, ..Quality::default() };
        Record::Interval(Interval { quality, ..interval })
    };
    let minute = |n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0);
    let opening = with(minute(2), Basis::Opening);
    desk.take("L1", &[settings("Bank 1"), with(minute(1), Basis::Nameplate), opening, minute(3)]);
    desk.take("L2", &[settings("Bank 2"), minute(1)]);
    let rows = kvar(&desk.store(), &Filter::default()).unwrap();
    let bank = rows.column("bank").unwrap().str().unwrap();
    let basis = rows.column("basis").unwrap().str().unwrap();
    for row in 0..2 {
        let expected = if bank.get(row) == Some("Bank 1") { "openings of the bank" } else { "nameplate" };
        assert!(basis.get(row).unwrap().ends_with(expected), "{:?}", basis.get(row));
    }
}

#[test]
fn an_alarm_costs_what_its_phase_would_have_given() {
    let desk = Desk::new();
    // The fuse of B is out from 10.5 to 40.5: half an hour at 200 kvar, of which two intervals count by half.
    let mut records = vec![settings("Bank 1"), event(11, Change::Detected, 10.5, None)];
    records.push(event(12, Change::Announced, 10.5, None));
    records.extend((1..=60).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
    records.push(event(41, Change::Ended, 10.5, Some(40.5)));
    desk.take("L1", &records);
    // On another bank it goes on to the end of the log: 49.5 minutes.
    let open = [&records[..2], &records[3..records.len() - 1]].concat();
    let open: Vec<Record> = [settings("Bank 2")].into_iter().chain(open.into_iter().skip(1)).collect();
    desk.take("L2", &open);
    let rows = alarm_history(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(rows.height(), 2);
    let bank = rows.column("bank").unwrap().str().unwrap();
    let row = |name: &str| (0..2).find(|row| bank.get(*row) == Some(name)).unwrap();
    near(&rows, "kvarh_lost", row("Bank 1"), 100.0);
    near(&rows, "duration_s", row("Bank 1"), 1800.0);
    near(&rows, "kvarh_lost", row("Bank 2"), 165.0);
    near(&rows, "duration_s", row("Bank 2"), 2970.0);
    assert!(rows.column("end_time").unwrap().get(row("Bank 2")).unwrap().is_null());
    assert!(rows.column("announced_time").unwrap().get(row("Bank 2")).unwrap().is_null());
}

#[test]
fn a_filter_picks_banks_and_times() {
    let desk = Desk::new();
    for bank in ["Bank 1", "Bank 2"] {
        let mut records = vec![settings(bank)];
        records.extend((1..=60).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
        desk.take(bank, &records);
    }
    fs::write(
        desk.folder.path().join("store/banks.toml"),
        "[[bank]]\nname = \"Bank 2\"\nfeeder = \"West\"\n",
    )
    .unwrap();
    let hours = |filter: Filter| {
        let rows = kvar(&desk.store(), &filter).unwrap();
        (rows.height(), rows.column("hours").unwrap().f64().unwrap().iter().flatten().sum::<f64>())
    };
    let at = |minute: i64| Some(START_MS as i64 + minute * 60_000);
    assert_eq!(hours(Filter::default()).0, 2);
    assert_eq!(hours(Filter { banks: vec!["Bank 1".into()], ..Filter::default() }).0, 1);
    assert_eq!(hours(Filter { feeders: vec!["West".into()], ..Filter::default() }).0, 1);
    assert_eq!(hours(Filter { feeders: vec!["East".into()], ..Filter::default() }).0, 0);
    // Intervals that end at 11 to 20.
    let (_, ten) =
        hours(Filter { from_ms: at(11), to_ms: at(21), banks: vec!["Bank 1".into()], ..Filter::default() });
    assert!((ten - 10.0 / 60.0).abs() < 1e-9, "{ten}");
}

#[test]
fn a_bank_of_two_phases_is_rated_by_those_it_has() {
    let desk = Desk::new();
    let Record::Settings(mut told) = settings("Bank 1") else { panic!() };
    told.settings.nameplate.connection = Connection::TwoPhase;
    told.settings.nameplate.build.phases = Phases::from_bits(0b101);
    told.settings.nameplate.rated_power = ReactivePower::quantise(400.0);
    let mut records = vec![Record::Settings(told)];
    let volts = [7200.0, 7200.0, 7200.0];
    records.extend((1..=60).map(|n| interval(n, volts, [1.0, f32::NAN, 0.5], 1.0, 0)));
    desk.take("L1", &records);
    let rows = kvar(&desk.store(), &Filter::default()).unwrap();
    near(&rows, "rated_kvar_phase", 0, 200.0);
    near(&rows, "known_hours", 0, 1.0);
    near(&rows, "kvarh_a", 0, 200.0);
    near(&rows, "kvarh_b", 0, 0.0);
    near(&rows, "kvarh_lost_b", 0, 0.0);
    near(&rows, "kvarh_lost_c", 0, 100.0);
    near(&rows, "available_percent", 0, 75.0);
    let fleet = fleet::fleet(&desk.store(), &Filter::default()).unwrap();
    assert_eq!((fleet[0].plate.phases, fleet[0].rated_kvar()), (Some(2), Some(400.0)));
}

#[test]
fn a_unit_that_is_out_costs_its_part_and_keeps_its_causes() {
    let desk = Desk::new();
    let of = |record: Record, fraction: f32, causes: &[Cause]| {
        let Record::Event(event) = record else { panic!() };
        Record::Event(Event {
            condition: Condition::UnitOut,
            fraction: PerUnit::quantise(fraction),
            causes: causes.iter().copied().collect(),
            ..event
        })
    };
    let mut records = vec![settings("Bank 1")];
    records.push(of(event(11, Change::Detected, 10.5, None), 0.3, &[Cause::UnitsChanged]));
    records.push(of(event(21, Change::Announced, 10.5, None), 0.25, &[Cause::UnitOpen, Cause::UnitsChanged]));
    records.extend((1..=60).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
    records.push(of(event(41, Change::Ended, 10.5, Some(40.5)), f32::NAN, &[]));
    desk.take("L1", &records);
    let rows = alarm_history(&desk.store(), &Filter::default()).unwrap();
    near(&rows, "fraction", 0, 0.25);
    near(&rows, "kvarh_lost", 0, 25.0);
    let causes = rows.column("causes").unwrap().str().unwrap().get(0);
    assert_eq!(causes, Some("unit_open, units_changed"));
    let fleet = fleet::fleet(&desk.store(), &Filter::default()).unwrap();
    assert_eq!(fleet[0].alarms[0].causes, [Cause::UnitOpen, Cause::UnitsChanged]);
    let words = fleet[0].alarms[0].explain().unwrap();
    assert!(words.happened.contains("25.0 % of the phase's rated capacitance lost"), "{}", words.happened);
}

#[test]
fn operations_are_listed_the_newest_first_and_stand_on_the_bank_s_page() {
    let desk = Desk::new();
    let operation = |minute: u64, action, told| {
        Record::Operation(Operation {
            stamp: stamp(minute),
            action,
            told,
            begin: moment(minute as f64),
            poles_us: [Some(0), Some(2778), None],
            neutral_peak: Current::quantise(41.5),
            voltage_step: PerUnit::quantise(-0.0062),
            since_opening_ms: Some(300_500),
        })
    };
    let mut records = vec![settings("Bank 1"), operation(5, Action::Opened, Some(true))];
    records.push(operation(10, Action::Closed, None));
    records.extend((1..=60).map(|n| interval(n, [7200.0; 3], HEALTHY, 1.0, 0)));
    desk.take("L1", &records);
    let rows = operations::operations(&desk.store(), "L1", &Filter::default()).unwrap();
    let seen: Vec<_> = rows.iter().map(|row| (row.action.as_str(), row.told)).collect();
    assert_eq!(seen, [("closed", None), ("opened", Some(true))]);
    assert_eq!((rows[1].poles_us, rows[1].since_opening_s), ([Some(0), Some(2778), None], Some(300.5)));
    assert_eq!((rows[1].neutral_peak_a, rows[1].voltage_step_pu), (Some(41.5), Some(-0.0062)));
    let page = crate::report::report(&desk.store(), &Default::default()).unwrap().html;
    assert!(page.contains("<td>2030-05-01 00:05:00</td><td>yes</td><td>0.0, 2.8, – ms</td>"), "{page}");
}

proptest! {
    #[test]
    fn the_expressions_say_what_the_shared_arithmetic_says(volts in prop::array::uniform3(6000.0f32..9000.0)) {
        let [a, b, c] = volts.map(f64::from);
        let frame = df!("voltage_a_v" => [a], "voltage_b_v" => [b], "voltage_c_v" => [c]).unwrap();
        let frame = frame.lazy().select([pvur().unwrap().alias("pvur"), ieee_936().unwrap().alias("936")]).collect().unwrap();
        let expected = wyelog_electrical::unbalance::pvur_percent(volts).unwrap();
        prop_assert!((real(&frame, "pvur", 0).unwrap() - f64::from(expected)).abs() < 1e-4);
        let expected = wyelog_electrical::unbalance::ieee_936_percent(volts).unwrap();
        prop_assert!((real(&frame, "936", 0).unwrap() - f64::from(expected)).abs() < 1e-4);
    }
}
