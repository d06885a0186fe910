//! The reconstruction against clocks that are known.

use super::*;

const T: u64 = 1_803_859_200_000; // 2027-03-01 00:00 UTC
const DAY_MS: u64 = 86_400_000;

fn set(boot: u32, frame: u64, utc_ms: u64, source: ClockSource) -> Seen {
    Seen { boot, frame, utc_ms: Some(utc_ms), set: Some((utc_ms, source)) }
}

const fn plain(boot: u32, frame: u64) -> Seen {
    Seen { boot, frame, utc_ms: None, set: None }
}

/// Numbers that look random: splitmix64 (Steele, Lea, Flood 2014; from memory).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From `low` to `high`.
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn chance(&mut self, of: f64) -> bool {
        self.between(0.0, 1.0) < of
    }
}

/// A logger with a crystal that strays with the day, and a battery-backed clock that is off too.
struct World {
    random: Random,
    drift: f64,
    wander: f64,
    rtc_drift: f64,
    /// When the battery-backed clock was set, and how wrong, in s.
    rtc: Option<(f64, f64)>,
}

impl World {
    fn frames(&self, begin: f64, now: f64) -> u64 {
        let turn = std::f64::consts::TAU / 86_400.0;
        let swing = |t: f64| -(t * turn).cos() / turn * self.wander;
        let strayed = (now - begin) * self.drift + swing(now) - swing(begin);
        ((now - begin + strayed * 1e-6) * 4800.0) as u64
    }

    /// Some years: what the log says, and of each record the start, frame and true time in s.
    fn live(&mut self) -> (Vec<Seen>, Vec<(u32, u64, f64)>) {
        let (mut seen, mut truth) = (Vec::new(), Vec::new());
        let mut now = T as f64 / 1000.0;
        for boot in 1..=self.random.between(2.0, 12.0) as u32 {
            let begin = now + self.random.between(0.5, 86_400.0 * 3.0);
            let end = begin + self.random.between(60.0, 86_400.0 * 60.0);
            if self.random.chance(0.15) {
                // The battery is empty.
                self.rtc = None;
            }
            if let Some((when, off)) = self.rtc {
                let says = begin + off + (begin - when) * self.rtc_drift * 1e-6;
                seen.push(set(boot, 0, says.floor() as u64 * 1000, ClockSource::Rtc));
            }
            let mut moments: Vec<f64> = (0..20).map(|_| self.random.between(begin, end)).collect();
            moments.extend([begin, end]);
            for moment in moments {
                let frame = self.frames(begin, moment);
                truth.push((boot, frame, moment));
                seen.push(plain(boot, frame));
            }
            for _ in 0..self.random.between(0.0, 2.9) as u32 {
                let moment = self.random.between(begin, end);
                let off = self.random.between(-0.24, 0.24);
                let utc_ms = ((moment + off) * 1000.0) as u64;
                seen.push(set(boot, self.frames(begin, moment), utc_ms, ClockSource::Host));
                if self.rtc.is_none_or(|(when, _)| when < moment) {
                    self.rtc = Some((moment, off));
                }
            }
            now = end;
        }
        truth.sort_by_key(|record| (record.0, record.1));
        (seen, truth)
    }
}

#[test]
fn times_are_within_their_bounds_and_in_order() {
    let (mut bounded, mut within, mut all, mut known) = (0, 0, 0, 0);
    let mut qualities = BTreeMap::new();
    for seed in 0..2000 {
        let mut random = Random(seed);
        let sign = if random.chance(0.5) { 1.0 } else { -1.0 };
        let mut world = World {
            drift: sign * random.between(20.0, 85.0),
            wander: random.between(0.0, 15.0),
            rtc_drift: random.between(-90.0, 90.0),
            rtc: None,
            random,
        };
        let (seen, truth) = world.live();
        let timeline = Timeline::new(seen);
        let mut last = 0;
        for (boot, frame, moment) in truth {
            all += 1;
            let time = timeline.at(boot, frame);
            *qualities.entry(time.quality.name()).or_insert(0) += 1;
            let Some(utc_ms) = time.utc_ms else { continue };
            known += 1;
            assert!(utc_ms >= last, "seed {seed}: start {boot} frame {frame} before the record before it");
            last = utc_ms;
            let off = (utc_ms as f64 / 1000.0 - moment).abs();
            if let Some(error_s) = time.error_s {
                bounded += 1;
                within += u32::from(off <= error_s);
                assert!(off <= 3.0 * error_s, "seed {seed}: {off} s off, said ±{error_s} ({time:?})");
            }
        }
        assert!(timeline.overruled().len() <= 1, "seed {seed}: {:?}", timeline.overruled());
    }
    println!("{all} records, {known} with a time, {bounded} bounded, {within} within; {qualities:?}");
    assert!(f64::from(within) >= 0.99 * f64::from(bounded), "{within} of {bounded}");
    assert!(bounded > 100_000, "{bounded}");
    assert!(
        ["synced", "corrected", "rtc", "guessed", "unknown"].iter().all(|name| qualities.contains_key(name))
    );
}

#[test]
fn a_drift_worked_by_hand() {
    // 50 ppm fast: in ten days 864 000 · 1.00005 · 4800 frames. Half of them are five days, and another tenth is one more day.
    let ten_days = 4_147_407_360;
    let timeline = Timeline::new([
        set(1, 0, T, ClockSource::Host),
        set(1, ten_days, T + 10 * DAY_MS, ClockSource::Host),
        plain(1, ten_days + ten_days / 10),
    ]);
    let half = timeline.at(1, ten_days / 2);
    assert_eq!((half.utc_ms, half.quality), (Some(T + 5 * DAY_MS), Quality::Corrected));
    // 0.25 s and 20 ppm of five days.
    assert!((half.error_s.unwrap() - 8.891).abs() < 1e-3, "{half:?}");
    let later = timeline.at(1, ten_days + ten_days / 10);
    assert!(later.utc_ms.unwrap().abs_diff(T + 11 * DAY_MS) <= 1, "{later:?}");
    assert_eq!(later.quality, Quality::Synced);
    // The drift itself is good to 0.5 s in ten days: 0.58 ppm.
    assert!((later.error_s.unwrap() - (0.251 + 86_400.0 * 20.58e-6)).abs() < 1e-3, "{later:?}");
    // Without the second reference the clock would be 43.2 s ahead.
    let alone = Timeline::new([set(1, 0, T, ClockSource::Host), plain(1, ten_days)]);
    assert_eq!(alone.at(1, ten_days).utc_ms, Some(T + 10 * DAY_MS + 43_200));
    assert!((alone.at(1, ten_days).error_s.unwrap() - 86.654).abs() < 0.01);
}

#[test]
fn a_start_without_a_clock_lies_in_the_middle_of_what_is_possible() {
    let minute = 60 * 4800;
    let timeline = Timeline::new([
        set(1, 0, T, ClockSource::Host),
        plain(1, minute),
        plain(2, minute),
        plain(3, 3 * minute),
        plain(4, 0),
        set(4, minute, T + 71 * 60_000, ClockSource::Host),
    ]);
    // From the end of start 1 to the beginning of start 4 are 69 min, of which 4 min are known: 65 min of no power.
    let (second, third) = (timeline.at(2, 0), timeline.at(3, 0));
    assert_eq!((second.utc_ms, second.quality), (Some(T + 60_000 + 1_950_000), Quality::Guessed));
    assert_eq!(third.utc_ms, Some(T + 120_000 + 1_950_000));
    assert!((second.error_s.unwrap() - 1950.0).abs() < 1.0, "{second:?}");
    // Behind the last reference nothing says how long the power was gone.
    let open = Timeline::new([set(1, 0, T, ClockSource::Host), plain(1, minute), plain(2, minute)]);
    let after = open.at(2, minute);
    assert_eq!((after.utc_ms, after.quality, after.error_s), (Some(T + 120_000), Quality::Guessed, None));
    // No clock at all.
    let none = Timeline::new([plain(1, 5)]);
    assert_eq!((none.at(1, 5).utc_ms, none.at(1, 5).quality), (None, Quality::Unknown));
    assert_eq!(none.at(9, 5).quality, Quality::Unknown);
}

#[test]
fn a_clock_in_1970_or_2099_is_no_time() {
    let hour = 3600 * 4800;
    let wrong = 4_070_908_800_000; // 2099
    for bad in [12_345, wrong] {
        let timeline = Timeline::new([
            set(1, 0, T, ClockSource::Host),
            plain(1, hour),
            set(2, 0, bad, ClockSource::Rtc),
            plain(2, hour),
            set(3, 0, T + 5 * 3_600_000, ClockSource::Host),
        ]);
        let time = timeline.at(2, 0);
        assert_eq!(
            (time.utc_ms, time.quality),
            (Some(T + 2 * 3_600_000 + 1_800_000), Quality::Guessed),
            "{bad}"
        );
        let [left] = timeline.overruled() else { panic!("{:?}", timeline.overruled()) };
        assert_eq!((left.boot, left.utc_ms, left.source), (2, bad, ClockSource::Rtc));
    }
    // A host with a wrong clock, corrected an hour later.
    let timeline = Timeline::new([
        set(1, 0, T, ClockSource::Host),
        set(1, hour, wrong, ClockSource::Host),
        set(1, 2 * hour, T + 2 * 3_600_000, ClockSource::Host),
    ]);
    assert_eq!(timeline.at(1, hour).utc_ms, Some(T + 3_600_000));
    assert_eq!(timeline.overruled().len(), 1);
}

#[test]
fn a_simulation_keeps_the_loggers_own_times_to_the_millisecond() {
    let clock = |frame: u64| T + frame * 5 / 24;
    let timeline = Timeline::new([set(1, 0, T, ClockSource::Signal), plain(1, 40_000_003)]);
    for frame in [0, 1, 23, 24, 4801, 39_999_999] {
        let time = timeline.at(1, frame);
        assert_eq!((time.utc_ms, time.quality), (Some(clock(frame)), Quality::Synced));
        assert!(time.error_s.unwrap() < 0.002);
    }
}

#[test]
fn twice_in_a_second_and_twice_the_same_record_are_no_drift() {
    let timeline = Timeline::new([
        set(1, 4800, T, ClockSource::Host),
        set(1, 4800, T, ClockSource::Host),
        set(1, 6000, T + 400, ClockSource::Host),
        plain(1, 4_800_000),
    ]);
    assert_eq!(timeline.at(1, 6000).utc_ms, Some(T + 400));
    assert_eq!(timeline.at(1, 4_806_000).utc_ms, Some(T + 1_000_400));
    assert!(timeline.overruled().is_empty());
}

#[test]
fn neither_a_leap_second_nor_summer_time_moves_anything() {
    // The end of 2016 had a leap second, 2026-10-25 01:00 UTC ends summer time in Europe.
    for (begin, expected) in [
        (
            1_483_228_799_000,
            ["2016-12-31T23:59:59.000Z", "2017-01-01T00:00:00.000Z", "2017-01-01T00:00:01.000Z"],
        ),
        (
            1_792_889_999_000,
            ["2026-10-25T00:59:59.000Z", "2026-10-25T01:00:00.000Z", "2026-10-25T01:00:01.000Z"],
        ),
    ] {
        let timeline = Timeline::new([set(1, 0, begin, ClockSource::Host), plain(1, 9600)]);
        let shown = [0, 4800, 9600].map(|frame| crate::time::utc(timeline.at(1, frame).utc_ms.unwrap()));
        assert_eq!(shown, expected);
    }
}

#[test]
fn a_log_that_does_not_say_who_set_the_clock_is_believed_as_a_battery() {
    let said = |frame: u64| Seen { utc_ms: Some(T + frame * 5 / 24), ..plain(1, frame) };
    let timeline = Timeline::new([said(480_000), said(4800)]);
    let time = timeline.at(1, 480_000);
    assert_eq!((time.utc_ms, time.quality), (Some(T + 100_000), Quality::Rtc));
    assert_eq!(timeline.at(1, 0).utc_ms, Some(T));
}
