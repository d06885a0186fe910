//! What stores say that have sums of days, and the same stores as an older program left them.

use polars::prelude::{ParquetReader, SerReader};

use super::*;
use crate::analysis::alarm_rates::alarm_rates;
use crate::analysis::quality::quality;
use crate::analysis::switching::switching;
use crate::analysis::unbalance::unbalance_by_weeks;
use crate::analysis::usage::{Levels, usage};
use crate::store::{Compaction, DAY_MS, DAYS, INTERVALS, Mark, days_of};

/// Half an hour that ends at `half`, of start `boot`; a tenth is flagged, the bank opens for a third of each day.
fn half_hour(boot: u32, half: u64, clocked: bool) -> Record {
    let Record::Interval(mut record) = interval(30 * half, [7200.0, 7210.0, 7190.0], HEALTHY, 1.0, 0) else {
        panic!()
    };
    let size = (half % 7) as f32 / 100.0;
    record.stamp.boot = boot;
    if boot == 2 {
        record.stamp.frame = (half - 129) * 30 * 288_000;
    }
    record.stamp.utc_ms = record.stamp.utc_ms.filter(|_| clocked);
    record.windows = 9000;
    record.flagged = u16::from(half % 10 == 3);
    record.connected = [1.0 + size, 1.0 - size, 0.5].map(PerUnit::quantise);
    record.quality.common_sigma = PerUnit::quantise(0.02 + size);
    record.quality.difference_sigma = PerUnit::quantise(0.01);
    record.quality.common_basis = if half % 96 < 50 { Basis::Nameplate } else { Basis::Harmonics };
    if half % 48 >= 32 {
        record.state = BankState::Open;
        record.connected = [PerUnit::ABSENT; 3];
    }
    Record::Interval(record)
}

/// Of a logger whose intervals have this length.
fn set(name: &str, interval_s: u16) -> Record {
    let Record::Settings(mut record) = settings(name) else { panic!() };
    record.settings.interval_s = interval_s;
    Record::Settings(record)
}

/// Four loggers over five days: one with a restart and a gap that another log fills; one whose half hours become minutes; one
/// without a time; one that the registers move.
fn desk() -> Desk {
    let desk = Desk::new();
    let with = |name: &str, rows: Vec<Record>| [vec![set(name, 1800)], rows].concat();
    let halves = |range: std::ops::Range<u64>| range.map(|half| half_hour(1, half, true)).collect::<Vec<_>>();
    let mut all = halves(1..130);
    all.extend((130..240).map(|half| half_hour(2, half, true)));
    let all = with("Alder", all);
    desk.take_numbers("D1", "D1 a", &all, |number| !(60..75).contains(&number));
    desk.take_numbers("D1", "D1 b", &all, |number| number < 80);
    let minutes = (3001..=4000).map(|n| interval(n, [7200.0; 3], HEALTHY, 2.0, u16::from(n % 9 == 0)));
    let minutes = std::iter::once(set("Birch", 60)).chain(minutes).collect();
    desk.take("D2", &with("Birch", [halves(1..100), minutes].concat()));
    desk.take("D3", &with("Cedar", (1..200).map(|half| half_hour(1, half, false)).collect()));
    desk.take("D4", &with("Birch", halves(20..220)));
    desk
}

/// Takes the sums of days away from the logs of which `is_old` says so.
fn make_old(desk: &Desk, is_old: impl Fn(&Mark) -> bool) {
    let folder = desk.folder.path().join("store/logs");
    for mark in desk.store().marks().iter().filter(|mark| is_old(mark)) {
        let mut mark = mark.clone();
        mark.files.retain(|file| !file.starts_with(DAYS.name));
        let path = folder.join(&mark.hash).with_extension("toml");
        fs::write(path, toml::to_string(&mark).unwrap()).unwrap();
    }
}

fn filters() -> Vec<Filter> {
    let start = START_MS as i64;
    let hour = 3_600_000;
    let ranges = [
        (None, None),
        (Some(start + DAY_MS), Some(start + 3 * DAY_MS)),
        (Some(start + 5 * hour), None),
        (Some(start + 5 * hour), Some(start + 3 * DAY_MS + 7 * hour)),
        (None, Some(start + 2 * DAY_MS + 1)),
        (Some(start + DAY_MS + hour), Some(start + DAY_MS + 9 * hour)),
    ];
    let mut filters: Vec<Filter> =
        ranges.map(|(from_ms, to_ms)| Filter { from_ms, to_ms, ..Filter::default() }).to_vec();
    let cut = filters.last().cloned().unwrap_or_default();
    filters.push(Filter { banks: vec!["Birch".to_owned(), "Elm".to_owned()], ..cut });
    filters
}

/// All that begins with days.
fn answers(desk: &Desk) -> Vec<DataFrame> {
    let store = desk.store();
    let sorted = |answer: Result<DataFrame, StoreError>| {
        let frame = answer.unwrap();
        let keys = ["bank", "device", "feeder"].into_iter().filter(|name| frame.column(name).is_ok());
        frame.sort(keys.collect::<Vec<_>>(), Default::default()).unwrap()
    };
    let of = |filter: &Filter| [kvar(&store, filter), quality(&store, filter)];
    let mut answers: Vec<DataFrame> = filters().iter().flat_map(of).map(sorted).collect();
    let cut = &filters()[3];
    let rest = [
        usage(&store, cut, Levels::default()),
        switching(&store, cut, None),
        alarm_rates(&store, cut),
        unbalance_by_weeks(&store, cut, 2.0),
    ];
    answers.extend(rest.map(sorted));
    answers
}

fn assert_alike(answers: &[DataFrame], others: &[DataFrame], what: &str) {
    assert_eq!(answers.len(), others.len());
    for (number, (a, b)) in answers.iter().zip(others).enumerate() {
        assert_eq!(a.shape(), b.shape(), "{what}, {number}: {a:?}, not {b:?}");
        for (one, other) in a.columns().iter().zip(b.columns()) {
            let name = (one.name(), one.dtype());
            assert_eq!(name, (other.name(), other.dtype()), "{what}, {number}");
            for row in 0..a.height() {
                let (x, y) = (one.get(row).unwrap(), other.get(row).unwrap());
                let alike = match (x.extract::<f64>(), y.extract::<f64>()) {
                    (Some(x), Some(y)) => (x - y).abs() <= 1e-9 * x.abs().max(1.0),
                    _ => x == y,
                };
                assert!(alike, "{what}, {number}, row {row}, {name:?}: {x}, not {y}");
            }
        }
    }
}

/// Moves D4 at midnight, or within a day.
const REGISTERS: [&str; 3] = [
    "bank,feeder\nAlder,North\nBirch,South\n",
    "bank,feeder,device,from,to\nElm,North,D4,2030-05-03,\nAlder,North,,,\n",
    "bank,feeder,device,from,to\nElm,North,D4,2030-05-02T11:20,2030-05-04\nAlder,North,,,\n",
];

#[test]
fn sums_of_days_say_what_their_intervals_say() {
    for (number, register) in REGISTERS.into_iter().enumerate() {
        let desk = desk();
        fs::write(desk.folder.path().join("store/banks.csv"), register).unwrap();
        let moved: Vec<String> = desk.store().devices_without_days().into_iter().collect();
        assert_eq!(moved, if number == 2 { vec!["D4"] } else { vec![] });
        let with_days = answers(&desk);
        // The gap of D1 that its second log fills: from one half hour to the next there is none.
        let longest = real(&with_days[1], "longest_gap_hours", 0);
        assert_eq!(longest, Some(0.0));
        make_old(&desk, |mark| mark.device == "D2" || mark.source == "D1 a");
        assert!(desk.store().devices_without_days().contains("D1"));
        assert_alike(&answers(&desk), &with_days, "partly old");
        make_old(&desk, |_| true);
        assert_eq!(desk.store().devices_without_days().len(), 4);
        assert_eq!(desk.store().scan(&DAYS).unwrap().collect().unwrap().height(), 0);
        assert_alike(&answers(&desk), &with_days, "old");
    }
    let desk = desk();
    let with_days = answers(&desk);
    desk.store().writer().unwrap().compact(&Compaction::NOW, &mut |_| ()).unwrap();
    assert_alike(&answers(&desk), &with_days, "compacted");
}

/// The table that an ingest writes, and what the intervals that it wrote come to.
#[test]
fn an_ingest_sums_up_what_it_writes() {
    let mut absent = half_hour(1, 60, true);
    if let Record::Interval(record) = &mut absent {
        record.frequency = Frequency::ABSENT;
        record.connected = [PerUnit::quantise(0.9), PerUnit::ABSENT, PerUnit::ABSENT];
        record.quality.common_sigma = PerUnit::ABSENT;
    }
    let Record::Settings(mut two) = set("Birch", 1800) else { panic!() };
    two.settings.nameplate.build.phases = Phases::from_bits(5);
    let halves = |boot, range: std::ops::Range<u64>| {
        range.map(move |half| half_hour(boot, half, true)).collect::<Vec<_>>()
    };
    let nameless = [vec![set("", 1800)], halves(1, 1..40)].concat();
    let minutes: Vec<Record> =
        (1801..=2000).map(|n| interval(n, [7200.0, 7100.0, f32::NAN], HEALTHY, 2.0, 0)).collect();
    let logs: [Vec<Record>; 4] = [
        [vec![set("Alder", 1800)], halves(1, 1..60), vec![absent], halves(2, 130..200)].concat(),
        [vec![set("Alder", 1800)], halves(1, 1..60), vec![set("Birch", 60)], minutes].concat(),
        [vec![Record::Settings(two)], (1..70).map(|half| half_hour(1, half, false)).collect()].concat(),
        nameless,
    ];
    for (number, records) in logs.iter().enumerate() {
        let desk = Desk::new();
        desk.take("D1", records);
        let sorted = |rows: LazyFrame| rows.sort(["bank", "sequence"], Default::default()).collect().unwrap();
        let written = sorted(desk.store().scan_rows(&DAYS).unwrap());
        let computed = sorted(days_of(desk.store().scan_rows(&INTERVALS).unwrap()));
        assert!(written.height() > 0);
        assert_alike(&[written], &[computed], &format!("log {number}"));
    }
}

#[test]
fn a_day_by_hand() {
    let desk = Desk::new();
    // From the eleventh hour on: 26 half hours of the first day, the one that ends at midnight is of the second.
    let rows = (22..=48).map(|half| half_hour(1, half, true));
    desk.take("D1", &std::iter::once(set("Alder", 1800)).chain(rows).collect::<Vec<_>>());
    let days = desk.store().scan(&DAYS).unwrap().collect().unwrap();
    assert_eq!(days.height(), 2);
    let whole = |name: &str, row| days.column(name).unwrap().get(row).unwrap().extract::<u64>().unwrap();
    assert_eq!([0, 1].map(|row| whole("intervals", row)), [26, 1]);
    assert_eq!([0, 1].map(|row| whole("frame", row)), [47, 48].map(|half| half * 30 * 288_000));
    // Flagged: 23, 33, 43. Closed: 22 to 31; 23 is flagged, 9 are good. Open: 32 to 47.
    assert_eq!(whole("flagged_intervals", 0), 3);
    near(&days, "hours", 0, 13.0);
    near(&days, "closed_hours", 0, 5.0);
    near(&days, "open_hours", 0, 8.0);
    near(&days, "good_hours", 0, 4.5);
    near(&days, "longest_step_s", 0, 1800.0);
    assert_eq!(real(&days, "longest_step_s", 1), None);
    assert_eq!(whole("common_sigmas", 0), 26);
    let basis = days.column("common_basis").unwrap().str().unwrap().get(0).map(str::to_owned);
    assert_eq!(basis.as_deref(), Some("nameplate"));
    // Nine good half hours of a phase with a half connected, whose others are 1 ± x: the mean is 2.5/3.
    near(&days, "connected_hours", 0, 4.5 * 2.5 / 3.0);
    near(&days, "difference_c", 0, 4.5 * (0.5 - 2.5 / 3.0));
    // Ten closed half hours: 200 kvar at 7200 V, and C of half of that at 7190 V.
    near(&days, "whole_kvarh_a", 0, 200.0 * 5.0);
    near(&days, "kvarh_c", 0, 100.0 * 5.0 * (7190.0_f64 / 7200.0).powi(2));
    assert_eq!(desk.store().scan(&INTERVALS).unwrap().collect().unwrap().height(), 27);
}

/// Intervals and hours of the table `days`, by logger, as SQL and an export have them.
fn of_tables(desk: &Desk, filter: &Filter) -> [Vec<(String, u64, f64)>; 2] {
    let by_logger = |rows: polars::prelude::LazyFrame| {
        let sums = [col("intervals").cast(DataType::UInt64).sum(), col("hours").sum()];
        let rows = rows.group_by([col("device")]).agg(sums).collect().unwrap();
        let (intervals, hours) = (rows.column("intervals").unwrap(), rows.column("hours").unwrap());
        let devices = rows.column("device").unwrap().str().unwrap();
        let numbers = intervals.u64().unwrap().iter().zip(hours.f64().unwrap().iter());
        let all = devices.iter().zip(numbers);
        let mut all: Vec<(String, u64, f64)> = all
            .map(|(device, (intervals, hours))| {
                // Sums may be taken in another order.
                (device.unwrap().to_owned(), intervals.unwrap(), (hours.unwrap() * 1e6).round() / 1e6)
            })
            .collect();
        all.sort_by(|a, b| a.0.cmp(&b.0));
        all
    };
    let store = desk.store();
    let question = crate::sql::question(&store, "SELECT device, intervals, hours FROM days").unwrap();
    let path = desk.folder.path().join("days.parquet");
    let format = crate::export::Format::Parquet;
    crate::export::table(&store, &DAYS, filter, format, &path, true).unwrap();
    let file = std::fs::File::open(&path).unwrap();
    let exported = ParquetReader::new(file).finish().unwrap();
    [by_logger(question), by_logger(exported.lazy())]
}

#[test]
fn sql_and_exports_have_the_days_of_logs_of_an_older_program_too() {
    let desk = desk();
    let all = Filter::default();
    let whole = of_tables(&desk, &all);
    assert_eq!(whole[0].iter().map(|(_, intervals, _)| *intervals).sum::<u64>(), 239 + 1099 + 199 + 200);
    assert_eq!(whole[0], whole[1]);
    make_old(&desk, |mark| mark.device == "D2" || mark.source == "D1 a");
    assert_eq!(of_tables(&desk, &all), whole);
    make_old(&desk, |_| true);
    assert_eq!(of_tables(&desk, &all), whole);
}

#[test]
fn an_export_has_of_days_that_its_range_cuts_what_lies_in_it() {
    let desk = desk();
    // From 12:00 of the first day to 06:00 of the third: half hours that end at 12:00 to 05:30.
    let at = |hour: i64| Some(START_MS as i64 + hour * 3_600_000);
    let filter = Filter { from_ms: at(12), to_ms: at(54), banks: vec!["Alder".into()], ..Filter::default() };
    let [_, exported] = of_tables(&desk, &filter);
    assert_eq!(exported, [("D1".to_owned(), 84, 42.0)]);
}
