extern crate std;
use std::boxed::Box;
use std::vec::Vec;

use wyelog_electrical::Phasor;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::record::ClockSource;

use super::*;
use crate::testing::{Bank, Heard, settings};

/// Runs banks one after the other, each for so many seconds.
fn run(acts: &[(f64, Bank)]) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard::default();
    let mut n = 0;
    for (seconds, bank) in acts {
        let end = n + (seconds * 4800.0) as u64;
        while n < end {
            meter.input(Input::Frame(bank.frame(n)), &mut heard);
            n += 1;
        }
    }
    heard
}

/// Of these events those that say something of the bank: a broken wire is a sag as well.
fn of_bank<E>(events: Vec<E>, condition: impl Fn(&E) -> Condition) -> Vec<E> {
    events.into_iter().filter(|event| condition(event).concerns_bank()).collect()
}

fn lost(phase: usize) -> Bank {
    let mut bank = Bank::default();
    bank.y[phase] = 0.0;
    bank
}

#[test]
fn a_blown_fuse_is_detected_at_once_and_announced_after_a_minute() {
    for phase in 0..3 {
        let events = run(&[(10.05, Bank::default()), (75.0, lost(phase)), (15.0, Bank::default())]).events();
        let changes: Vec<Change> = events.iter().map(|event| event.0).collect();
        assert_eq!(changes, [Change::Detected, Change::Announced, Change::Ended], "{events:?}");
        for (_, condition, phases, _, begin) in &events {
            assert_eq!((*condition, *phases), (Condition::BlownFuse, 1 << phase));
            assert!((begin - 10.05).abs() < 0.25, "begin {begin}");
        }
        let [detected, announced, ended] = [events[0].3, events[1].3, events[2].3];
        assert!(detected - 10.05 < 1.0, "{detected}");
        // A minute from the detection, as soon as a window ends.
        assert!((60.0..60.25).contains(&(announced - detected)), "{detected} {announced}");
        assert!((ended - 95.05).abs() < 1.0, "{ended}");
    }
}

#[test]
fn a_fuse_stays_blown_while_the_bank_is_open_or_wholly_gone() {
    // Without a contact input: opened for half a minute, closed again, then the other two fuses go.
    let none = Bank { y: [0.0; 3], ..Bank::default() };
    let acts = [(5.0, Bank::default()), (70.0, lost(0)), (30.0, none), (30.0, lost(0)), (60.0, none)];
    let mut events = run(&acts).events();
    // It was closed half a minute after it had been opened.
    events.retain(|event| event.1 != Condition::ClosedWhileCharged);
    let changes: Vec<Change> = events.iter().map(|event| event.0).collect();
    assert_eq!(changes, [Change::Detected, Change::Announced], "{events:?}");
}

#[test]
fn a_slow_loss_began_when_it_was_first_seen_not_hours_ago() {
    let mut acts = Vec::from([(60.0, Bank::default())]);
    for step in 1..=60 {
        let mut bank = Bank::default();
        bank.y[0] = 1.0 - f64::from(step) / 60.0;
        acts.push((1.0, bank));
    }
    acts.push((62.0, lost(0)));
    let mut events = run(&acts).events();
    // Until then it is a phase that has lost a part.
    events.retain(|event| event.1 == Condition::BlownFuse);
    assert_eq!(events[0].0, Change::Detected);
    assert!(events[0].4 > 90.0 && events[0].3 - events[0].4 < 1.1, "{events:?}");
    assert_eq!(events[1].0, Change::Announced);
    assert!((events[1].3 - events[0].3 - 60.0).abs() < 0.5, "{events:?}");
}

#[test]
fn poles_that_close_one_after_the_other_are_no_announcement() {
    // Told open for 70 s; A and B close, the contact follows, C closes 0.9 s late.
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard::default();
    let none = Bank { y: [0.0; 3], ..Bank::default() };
    for n in 0..110 * 4800 {
        match n {
            96_000 => meter.input(Input::Contact(false), &mut heard),
            433_200 => meter.input(Input::Contact(true), &mut heard),
            _ => {}
        }
        let bank = match n {
            96_000..432_000 => none,
            432_000..436_320 => lost(2),
            _ => Bank::default(),
        };
        meter.input(Input::Frame(bank.frame(n)), &mut heard);
    }
    let events = heard.events();
    let of_bank = of_bank(events, |event| event.1);
    assert!(of_bank.iter().all(|event| event.0 != Change::Announced), "{of_bank:?}");
    assert!(of_bank.iter().all(|event| event.4 > 90.0), "{of_bank:?}");
}

#[test]
fn window_level_says_what_sample_level_says() {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard::default();
    let scaling = Scaling::new(&settings());
    // 30 s of health and 70 s without the fuse of B as windows, then frames again.
    let end = 500;
    let mut n = 0;
    while n < end {
        // One by one, then ten at once.
        let count = if n < 460 { 1 } else { 10 };
        let bank = if n < 150 { Bank::default() } else { lost(1) };
        let voltage = [0.0, -120.0, 120.0].map(|degrees| Phasor::from_polar_degrees(1.0, degrees));
        let mut fundamental = [Phasor::ZERO; 4];
        let mut neutral = Phasor::ZERO;
        for phase in 0..3 {
            let volts = voltage[phase].scale(bank.voltage[phase] as f32);
            fundamental[phase] = volts.scale(1.0 / scaling.voltage[phase]);
            neutral += volts.times_j().scale(bank.y[phase] as f32 * scaling.unit_ratio);
        }
        fundamental[3] = neutral.scale(1.0 / scaling.neutral);
        let rms = fundamental.map(Phasor::magnitude);
        let window = Window { rms, fundamental, ..Window::of_zeros(n * 960, (n + 1) * 960) };
        meter.window_level(&window, count, &mut heard);
        n += u64::from(count);
    }
    for n in end * 960..(end + 150) * 960 {
        meter.input(Input::Frame(lost(1).frame(n)), &mut heard);
    }
    let events = heard.events();
    let changes: Vec<(Change, u8)> = events.iter().map(|event| (event.0, event.2)).collect();
    assert_eq!(changes, [(Change::Detected, 2), (Change::Announced, 2)], "{events:?}");
    assert!((events[0].4 - 30.0).abs() < 0.01 && (events[1].3 - 90.4).abs() < 0.5, "{events:?}");
    let intervals: Vec<_> = heard.records.iter().filter(|r| matches!(r, Record::Interval(_))).collect();
    assert_eq!(intervals.len(), 2);
    let Record::Interval(second) = intervals[1] else { panic!() };
    assert!((299..=301).contains(&second.windows), "{}", second.windows);
    assert_eq!(second.frequency.steps(), Some(600_000));
}

#[test]
fn two_fuses_are_two_occurrences() {
    let mut both = lost(0);
    both.y[2] = 0.0;
    let events = run(&[(5.0, Bank::default()), (5.0, lost(0)), (5.0, both)]).events();
    let seen: Vec<(Change, u8)> = events.iter().map(|event| (event.0, event.2)).collect();
    assert_eq!(seen, [(Change::Detected, 1), (Change::Detected, 4)]);
}

#[test]
fn health_sags_and_unbalance_are_no_conditions() {
    let sag = Bank { voltage: [0.6, 1.02, 1.0], ..Bank::default() };
    let deep = Bank { voltage: [0.15, 1.02, 1.0], ..Bank::default() };
    let unbalanced = Bank { voltage: [0.95, 1.06, 0.97], ..Bank::default() };
    let fast = Bank { hz: 60.4, ..Bank::default() };
    let acts: Vec<(f64, Bank)> =
        [Bank::default(), sag, Bank::default(), deep, unbalanced, fast, Bank::default()]
            .into_iter()
            .map(|bank| (4.03, bank))
            .collect();
    assert_eq!(of_bank(run(&acts).events(), |event| event.1), []);
}

#[test]
fn a_broken_sensor_wire_is_no_blown_fuse() {
    // The lead floats at 2 to 40 % of the voltage; the bank itself is whole.
    for phase in 0..3 {
        for pickup in [0.0, 0.02, 0.2, 0.4] {
            let mut bank = Bank::default();
            bank.seen[phase] = pickup;
            let events = of_bank(run(&[(5.0, Bank::default()), (5.0, bank)]).events(), |event| event.1);
            assert_eq!(events.len(), 1, "phase {phase}, {pickup}: {events:?}");
            let expected = (Change::Detected, Condition::VoltageSignalLost, 1 << phase);
            assert_eq!((events[0].0, events[0].1, events[0].2), expected);
            assert!(events[0].3 < 7.0 && (events[0].4 - 5.0).abs() < 0.25, "{events:?}");
        }
    }
}

#[test]
fn an_open_bank_is_no_blown_fuse() {
    let open = Bank { y: [0.0; 3], ..Bank::default() };
    let events = run(&[(5.0, Bank::default()), (5.0, open), (5.0, Bank::default())]).events();
    // Poles never clear together: a neutral current that is gone without their trace is a lead.
    assert!(events.iter().all(|event| event.1 == Condition::NeutralSignalLost), "{events:?}");
}

#[test]
fn an_interruption_begins_and_ends_within_a_cycle_and_is_announced_when_sustained() {
    let dead = Bank { voltage: [0.01; 3], ..Bank::default() };
    let interruptions = |acts: &[(f64, Bank)]| {
        let (inside, around): (Vec<_>, Vec<_>) =
            run(acts).events().into_iter().partition(|event| event.1 == Condition::Interruption);
        // It lies within a sag, a minute of which is an undervoltage, and the bank comes back with the feeder.
        let later = [Condition::EnergisedWithFeeder, Condition::Undervoltage];
        let around: Vec<_> = around.into_iter().filter(|event| !later.contains(&event.1)).collect();
        assert!(around.iter().all(|event| event.1 == Condition::Sag), "{around:?}");
        assert_eq!(around[around.len() - 1].2, Phases::ABC.bits());
        assert!(around[0].3 <= inside[0].3 && around[around.len() - 1].3 >= inside[inside.len() - 1].3);
        inside
    };
    let events = interruptions(&[(5.0, Bank::default()), (65.0, dead), (5.0, Bank::default())]);
    let seen: Vec<Change> = events.iter().map(|event| event.0).collect();
    let expected = [Change::Detected, Change::Announced, Change::Ended];
    assert_eq!(seen, expected);
    // The rms of the last phase is below 1 % once a whole cycle is dead, and each phase has half cycles of its own.
    assert!((events[0].3 - 5.0).abs() < 0.026 && (events[2].3 - 70.0).abs() < 0.02, "{events:?}");
    assert!((events[0].4 - 5.0).abs() < 0.005, "{events:?}");
    // Neither below the threshold nor above threshold plus hysteresis: it goes on.
    let band = Bank { voltage: [0.11, 0.05, 0.05], ..Bank::default() };
    let events = interruptions(&[(5.0, Bank::default()), (0.5, dead), (65.0, band), (5.0, Bank::default())]);
    assert_eq!(events.iter().map(|event| event.0).collect::<Vec<_>>(), expected);
    let short = interruptions(&[(5.0, Bank::default()), (1.0, dead), (5.0, Bank::default())]);
    assert_eq!(short.iter().map(|event| event.0).collect::<Vec<_>>(), [Change::Detected, Change::Ended]);
}

#[test]
fn a_fuse_that_blew_before_a_reclose_is_still_announced_once_voltages_are_good() {
    let dead = Bank { voltage: [0.0; 3], ..Bank::default() };
    let acts = [(5.0, Bank::default()), (50.0, lost(1)), (10.0, dead), (35.0, lost(1))];
    let events: Vec<_> =
        run(&acts).events().into_iter().filter(|event| event.1 == Condition::BlownFuse).collect();
    assert_eq!(events.len(), 2, "{events:?}");
    // A minute old at 65 s, but the voltages are good for 30 s only at 95 s.
    assert_eq!(events[1].0, Change::Announced);
    assert!((events[1].3 - 95.0).abs() < 0.5, "{events:?}");
}

#[test]
fn intervals_hold_what_was_measured() {
    let heard = run(&[(125.0, Bank::default())]);
    let intervals: Vec<&wyelog_protocol::record::Interval> = heard
        .records
        .iter()
        .filter_map(|record| match record {
            Record::Interval(interval) => Some(interval),
            _ => None,
        })
        .collect();
    assert_eq!(intervals.len(), 2);
    let second = intervals[1];
    assert!((299..=301).contains(&second.windows), "{}", second.windows);
    assert_eq!(second.flagged, 0);
    let base = 12_470.0 / libm::sqrtf(3.0);
    for (range, pu) in second.voltage.iter().zip([1.0, 1.02, 0.98]) {
        assert!((range.rms.value().unwrap() - pu * base).abs() < 0.1, "{range:?}");
    }
    assert_eq!(second.frequency.steps(), Some(600_000));
    // 7200, 7056 and 7344 V at 120° have u2 = u0 = 1.15470 %; the order of B and C does not matter to it.
    assert!((second.u2.value().unwrap() - 1.1547).abs() < 0.001, "{}", second.u2);
    assert!((second.u0.value().unwrap() - 1.1547).abs() < 0.001, "{}", second.u0);
    assert!(second.residual.value().unwrap() < 1e-3);
    assert!(
        second.connected.iter().all(|y| (y.value().unwrap() - 1.0).abs() < 0.005),
        "{:?}",
        second.connected
    );
}

#[test]
fn the_clock_places_the_end_of_an_interval_on_the_minute() {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 7);
    let mut heard = Heard::default();
    // 12:00:47.5 UTC: the minute ends 12.5 s later.
    meter.input(
        Input::Clock(1_900_000_847_500 - 1_900_000_847_500 % 60_000 + 47_500, ClockSource::Signal),
        &mut heard,
    );
    for n in 0..20 * 4800 {
        meter.input(Input::Frame(Bank::default().frame(n)), &mut heard);
    }
    let stamps: Vec<_> =
        heard.records.iter().filter(|r| matches!(r, Record::Interval(_))).map(|r| *r.stamp()).collect();
    assert_eq!(stamps.len(), 1);
    assert_eq!(stamps[0].boot, 7);
    let into_minute = stamps[0].utc_ms.unwrap() % 60_000;
    assert!(into_minute < 250, "{into_minute} ms behind the minute");
}

#[test]
fn records_without_room_are_counted_and_told() {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard { room: Some(0), ..Heard::default() };
    for utc in 0..3 {
        meter.input(Input::Clock(utc, ClockSource::Signal), &mut heard);
    }
    heard.room = None;
    meter.input(Input::FramesLost(7), &mut heard);
    let statuses: Vec<_> = heard
        .records
        .iter()
        .filter_map(|record| match record {
            Record::Status(record) => Some(record.status.clone()),
            _ => None,
        })
        .collect();
    assert_eq!(statuses, [Status::RecordsLost { count: 3 }, Status::FramesLost { count: 7 }]);
}

#[test]
fn lost_frames_keep_the_time_and_are_flagged() {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard::default();
    let mut n = 0;
    while n < 70 * 4800 {
        if n % 48_000 == 24_000 {
            // Short gaps, and one longer than the history.
            let gap = if n > 150_000 && n < 200_000 { 5000 } else { 30 };
            meter.input(Input::FramesLost(gap), &mut heard);
            n += u64::from(gap);
        }
        meter.input(Input::Frame(Bank::default().frame(n)), &mut heard);
        n += 1;
    }
    assert_eq!(meter.frames(), n);
    assert_eq!(heard.events(), []);
    let interval = heard.records.iter().find_map(|record| match record {
        Record::Interval(interval) => Some(interval),
        _ => None,
    });
    let interval = interval.unwrap();
    assert!((6..=14).contains(&interval.flagged), "{}", interval.flagged);
    // What was never sampled is no sag.
    let volts = interval.voltage[0];
    assert!(
        (volts.rms.value().unwrap() - 7199.6).abs() < 0.2
            && (volts.min.value().unwrap() - 7199.6).abs() < 0.2
    );
    assert_eq!(interval.frequency.steps(), Some(600_000));
}

#[test]
fn the_mean_frequency_of_an_hour_keeps_its_digits() {
    let mut buffers = Box::new(Buffers::new());
    let settings = Settings { interval_s: 600, ..settings() };
    let mut meter = Meter::new(&mut buffers, &settings, 1);
    let mut heard = Heard::default();
    let bank = Bank { hz: 60.013, ..Bank::default() };
    for n in 0..601 * 4800 {
        meter.input(Input::Frame(bank.frame(n)), &mut heard);
    }
    let interval = heard.records.iter().find_map(|record| match record {
        Record::Interval(interval) => Some(interval),
        _ => None,
    });
    let off = interval.unwrap().frequency.steps().unwrap() - 600_130;
    assert!(off.abs() <= 2, "{off} tenths of a mHz");
}

#[test]
fn a_clipped_voltage_is_flagged_for_ten_cycles_and_no_sag() {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(), 1);
    let mut heard = Heard::default();
    for n in 0..70 * 4800_u64 {
        let mut frame = Bank::default().frame(n);
        // A converter that stands at its end for two cycles, and a phase that then comes back slowly.
        match n {
            96_000..96_160 => frame.channels[1] = crate::frontend::FULL_SCALE,
            96_160..96_500 => frame.channels[1] /= 8,
            _ => {}
        }
        meter.input(Input::Frame(frame), &mut heard);
    }
    assert_eq!(heard.events(), []);
    let flagged: u16 = heard
        .records
        .iter()
        .filter_map(
            |record| if let Record::Interval(interval) = record { Some(interval.flagged) } else { None },
        )
        .sum();
    // Two cycles and ten behind them: one window's length, across one border at least.
    assert!((2..=3).contains(&flagged), "{flagged}");
}

#[test]
fn a_swell_that_stays_is_an_overvoltage_whose_values_count() {
    let high = Bank { voltage: [1.11, 1.12, 1.09], ..Bank::default() };
    let heard = run(&[(5.0, Bank::default()), (180.0, high)]);
    let flagged: Vec<u16> = heard
        .records
        .iter()
        .filter_map(
            |record| if let Record::Interval(interval) = record { Some(interval.flagged) } else { None },
        )
        .collect();
    assert_eq!(flagged.len(), 3);
    assert!(flagged[0] >= 270 && (20..40).contains(&flagged[1]) && flagged[2] == 0, "{flagged:?}");
}

#[test]
fn a_clock_that_jumps_neither_holds_up_intervals_nor_floods_the_log() {
    /// 2027-03-01 00:00:30.
    const UTC: u64 = 1_803_859_230_000;
    const HOUR: u64 = 3_600_000;
    const IN_2099: u64 = 4_070_908_800_000;
    let jumps: [&[i64]; 8] = [
        &[HOUR as i64],
        &[-(HOUR as i64)],
        &[1],
        &[-1],
        &[-(UTC as i64)],
        &[(IN_2099 - UTC) as i64],
        &[HOUR as i64, -(HOUR as i64)],
        &[-1, 1, -1, 1],
    ];
    for jumps in jumps {
        let mut buffers = Box::new(Buffers::new());
        let mut meter = Meter::new(&mut buffers, &settings(), 1);
        let mut heard = Heard::default();
        meter.input(Input::Clock(UTC, ClockSource::Rtc), &mut heard);
        let mut utc = UTC;
        for n in 0..200 * 4800_u64 {
            // From the 31st second on, ten a second: the first minute has just ended.
            if let Some(at) = n.checked_sub(31 * 4800).filter(|after| after % 480 == 0)
                && let Some(jump) = jumps.get((at / 480) as usize)
            {
                utc = utc.checked_add_signed(*jump).unwrap();
                meter.input(Input::Clock(utc + n * 5 / 24, ClockSource::Host), &mut heard);
            }
            meter.input(Input::Frame(Bank::default().frame(n)), &mut heard);
        }
        let of = |is: fn(&Record) -> bool| heard.records.iter().filter(|r| is(r)).count();
        let ends: Vec<(u64, u64)> = heard
            .records
            .iter()
            .filter(|record| matches!(record, Record::Interval(_)))
            .map(|record| (record.stamp().frame, record.stamp().utc_ms.unwrap()))
            .collect();
        // 200 s: three or four minutes end in them, and each jump ends at most one more.
        assert!((3..=4 + jumps.len()).contains(&ends.len()), "{jumps:?}: {ends:?}");
        assert!(of(|r| matches!(r, Record::Spectrum(_))) <= 1 + jumps.len(), "{jumps:?}");
        assert_eq!(of(|r| matches!(r, Record::Status(_))), 1 + jumps.len(), "{jumps:?}");
        for (frame, utc_ms) in &ends {
            let into_minute = utc_ms % 60_000;
            assert!(
                into_minute.min(60_000 - into_minute) <= 1,
                "{jumps:?}: {into_minute} ms into the minute at {frame}"
            );
        }
        // None is longer than a minute, and the last one ends in the last minute.
        let frames = ends.iter().map(|(frame, _)| *frame).chain([200 * 4800]);
        let mut begin = 0;
        for end in frames {
            assert!(end - begin <= 60 * 4800 + 24, "{jumps:?}: {begin} to {end}");
            begin = end;
        }
        let told: Vec<(Option<u64>, u64)> = heard
            .records
            .iter()
            .filter_map(|record| match record {
                Record::Status(StatusRecord {
                    status: Status::ClockSet { before_ms, after_ms, .. }, ..
                }) => Some((*before_ms, *after_ms)),
                _ => None,
            })
            .collect();
        for ((_, after), jump) in told.iter().skip(1).zip(jumps) {
            let before = told.iter().skip(1).find(|(_, other)| other == after).unwrap().0.unwrap();
            let moved = i128::from(*after) - i128::from(before);
            assert!((moved - i128::from(*jump)).abs() <= 1, "{jumps:?}: {before} to {after}");
        }
    }
}
