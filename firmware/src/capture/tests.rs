extern crate std;
use std::collections::VecDeque;
use std::vec::Vec;

use wyelog_protocol::bank::{RatedFrequency, Settings};
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record;

use super::*;
use crate::testing::{Bank, settings};

/// A queue of so many places, and what has been taken out of it.
struct Samples {
    queue: VecDeque<Packed>,
    places: usize,
    taken: Vec<Item>,
}

impl Samples {
    fn drain(&mut self) {
        self.taken.extend(self.queue.drain(..).map(|item| item.unpack().unwrap()));
    }
}

impl Outbox for Samples {
    fn record(&mut self, _: Record) -> Result<(), Record> {
        Ok(())
    }

    fn live(&mut self, _: Live) {}

    fn sample(&mut self, item: Packed) -> bool {
        if self.queue.len() >= self.places {
            return false;
        }
        self.queue.push_back(item);
        true
    }
}

/// Captures with what they need, at 60 Hz unless said.
struct Lab {
    captures: Captures,
    history: History,
    clock: Clock,
    scaling: Scaling,
    hz: f32,
    out: Samples,
    /// Whether the Keeper takes what comes.
    keeps: bool,
    told: Vec<Status>,
    /// What went in, by frame.
    frames: Vec<[i32; 4]>,
}

/// A whole capture: first frame, its UTC, samples, whether it was broken off.
type Whole = (u64, Option<u64>, Vec<Sample>, bool);

impl Lab {
    fn new(frequency: RatedFrequency) -> Self {
        let mut settings: Settings = settings();
        settings.nameplate.frequency = frequency;
        Self {
            captures: Captures::new(frequency.frames_per_cycle()),
            history: History::new(),
            clock: Clock::new(1),
            scaling: Scaling::new(&settings),
            hz: frequency.hz(),
            out: Samples { queue: VecDeque::new(), places: crate::outbox::SAMPLES - 1, taken: Vec::new() },
            keeps: true,
            told: Vec::new(),
            frames: Vec::new(),
        }
    }

    fn now(&self) -> u64 {
        self.history.count()
    }

    /// Lets `frames` go by.
    fn run(&mut self, bank: Bank, frames: u64) {
        for _ in 0..frames {
            let frame = bank.frame(self.now());
            self.history.push(&frame);
            self.clock.advance(1);
            self.frames.push(frame.channels);
            let told = self.captures.frame(
                &frame,
                (&self.scaling, self.hz),
                &self.history,
                &self.clock,
                &mut self.out,
            );
            self.told.extend(told);
            if self.keeps {
                self.out.drain();
            }
        }
    }

    fn lose(&mut self, count: u32) {
        self.captures.frames_lost(self.now(), count);
        self.history.skip(count);
        self.clock.advance(count);
        self.frames.extend((0..count).map(|_| [i32::MAX; 4]));
    }

    /// The captures so far, each sample held against the frame that it is of.
    fn captures(&mut self) -> Vec<Whole> {
        self.out.drain();
        let mut captures: Vec<Whole> = Vec::new();
        let mut open = false;
        for item in &self.out.taken {
            match (*item, captures.last_mut()) {
                (Item::Begin(frame), _) => {
                    assert!(!open, "a begin before the end");
                    captures.push((frame, None, Vec::new(), false));
                    open = true;
                }
                (Item::Time(utc_ms), Some(last)) if open => last.1 = Some(utc_ms),
                (Item::Sample(sample), Some(last)) if open => {
                    let frame = self.frames[last.0 as usize + last.2.len()];
                    let expected = frame.map(|count| ((count + 128) >> 8).clamp(-32767, 32767) as i16);
                    assert_eq!(sample, expected, "frame {}", last.0 as usize + last.2.len());
                    last.2.push(sample);
                }
                (Item::End { lost }, Some(last)) if open => {
                    last.3 = lost;
                    open = false;
                }
                other => panic!("{other:?}"),
            }
        }
        captures
    }
}

fn healthy(hz: f64) -> Bank {
    Bank { hz, ..Bank::default() }
}

#[test]
fn a_contact_brings_three_cycles_before_and_twelve_after_at_any_frequency() {
    for (rated, hz) in [
        (RatedFrequency::Hz60, 60.0),
        (RatedFrequency::Hz60, 51.0),
        (RatedFrequency::Hz60, 69.0),
        (RatedFrequency::Hz50, 50.0),
        (RatedFrequency::Hz50, 42.5),
        (RatedFrequency::Hz50, 57.5),
    ] {
        let mut lab = Lab::new(rated);
        lab.hz = hz as f32;
        lab.clock.set(1_900_000_000_000);
        lab.run(healthy(hz), 3001);
        lab.captures.contact(lab.now());
        lab.run(healthy(hz), 3000);
        let captures = lab.captures();
        let [(begin, utc_ms, samples, false)] = &captures[..] else { panic!("{captures:?}") };
        let (before, after) = (3001 - begin, begin + samples.len() as u64 - 3001);
        let cycle = 4800.0 / hz;
        assert!((3.0..4.2).contains(&(before as f64 / cycle)), "{hz} Hz: {before} frames before");
        assert!((12.0..14.8).contains(&(after as f64 / cycle)), "{hz} Hz: {after} frames after");
        assert_eq!(*utc_ms, Some(1_900_000_000_000 + begin * 5 / 24));
    }
}

#[test]
fn a_lost_phase_is_captured_before_any_window_says_so() {
    for change in 5000..5080 {
        let mut lab = Lab::new(RatedFrequency::Hz60);
        let lost = Bank { y: [1.0, 0.0, 1.0], ..Bank::default() };
        lab.run(Bank::default(), change);
        lab.run(lost, 2400);
        // Half a second later the condition is detected: nothing more is needed, or there.
        lab.captures.detected(change + 10, lab.now());
        lab.run(lost, 3000);
        let captures = lab.captures();
        let [(begin, None, samples, false)] = &captures[..] else { panic!("{captures:?}") };
        let (before, after) = (change - begin, begin + samples.len() as u64 - change);
        assert!((240..=480).contains(&before), "{change}: {before} frames before");
        assert!((960 + 10..=1200).contains(&after), "{change}: {after} frames after");
    }
}

#[test]
fn what_left_the_history_before_it_was_known_is_captured_as_far_back_as_there_is_any() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    lab.run(Bank::default(), 9000);
    lab.captures.detected(6000, lab.now());
    lab.run(Bank::default(), 2000);
    let captures = lab.captures();
    let [(begin, _, samples, false)] = &captures[..] else { panic!("{captures:?}") };
    assert!(*begin <= 9000 - u64::from(history::FRAMES) + 20, "{begin}");
    assert_eq!(samples.len(), 1279, "16 cycles, but for the frame that went while it was opened");
}

#[test]
fn a_trigger_within_a_run_extends_it_and_the_longest_is_followed_by_another() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    lab.run(Bank::default(), 3000);
    // Every five cycles for two seconds.
    let (first, mut last) = (lab.now(), 0);
    for _ in 0..24 {
        lab.captures.contact(lab.now());
        last = lab.now();
        lab.run(Bank::default(), 400);
    }
    lab.run(Bank::default(), 3000);
    let captures = lab.captures();
    assert_eq!(captures.len(), 3);
    let mut next = first - 280;
    for (begin, _, samples, lost) in &captures {
        assert_eq!((*begin, *lost), (next, false), "no gap and no overlap");
        assert!(samples.len() <= 60 * 80);
        next = begin + samples.len() as u64;
    }
    assert_eq!(next, last + 1000);
}

#[test]
fn an_erase_of_400_ms_costs_nothing() {
    for rated in [RatedFrequency::Hz50, RatedFrequency::Hz60] {
        let mut lab = Lab::new(rated);
        lab.run(healthy(f64::from(rated.hz())), 3000);
        // The erase begins with the capture, which two more triggers make longer than the queue.
        lab.keeps = false;
        lab.captures.contact(3000);
        for _ in 0..2 {
            lab.run(healthy(f64::from(rated.hz())), 640);
            lab.captures.contact(lab.now());
        }
        lab.run(healthy(f64::from(rated.hz())), 640);
        assert!(lab.out.queue.len() == lab.out.places, "no test");
        lab.keeps = true;
        lab.run(healthy(f64::from(rated.hz())), 80_000 * 4);
        let captures = lab.captures();
        let [(begin, _, samples, false)] = &captures[..] else { panic!("{}", captures.len()) };
        assert!(begin + samples.len() as u64 >= 4280 + 12 * u64::from(rated.frames_per_cycle()));
        assert!(lab.told.is_empty(), "{:?}", lab.told);
    }
}

#[test]
fn a_keeper_that_takes_nothing_for_a_second_costs_what_is_counted() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    lab.run(Bank::default(), 3000);
    lab.keeps = false;
    for _ in 0..10 {
        lab.captures.contact(lab.now());
        lab.run(Bank::default(), 480);
    }
    lab.keeps = true;
    lab.run(Bank::default(), 1000);
    // Broken off, and then as ever.
    lab.captures.contact(lab.now());
    lab.run(Bank::default(), 80 * 4800);
    let captures = lab.captures();
    let lost: Vec<_> = lab.told.iter().collect();
    let [Status::CapturesLost { triggers: 0, frames }] = lost[..] else { panic!("{lost:?}") };
    let (broken, whole): (Vec<_>, Vec<_>) = captures.iter().partition(|capture| capture.3);
    assert_eq!(broken.len(), 1, "{captures:?}");
    assert!(whole.iter().any(|capture| capture.2.len() == 1280));
    // The first run would have gone on to its longest.
    let end = broken[0].0 + broken[0].2.len() as u64 + u64::from(*frames);
    assert!(end <= broken[0].0 + 60 * 80, "{end}");
}

#[test]
fn lost_frames_part_a_capture_and_are_never_samples() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    lab.run(Bank::default(), 3000);
    lab.captures.contact(3000);
    lab.run(Bank::default(), 400);
    lab.lose(200);
    lab.run(Bank::default(), 3000);
    let captures = lab.captures();
    let [(2720, _, first, true), (3600, _, second, false)] = &captures[..] else { panic!("{captures:?}") };
    assert_eq!((first.len(), second.len()), (680, 400));
}

#[test]
fn a_feeder_that_never_rests_leaves_room_for_operations_and_is_counted() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    let sag = Bank { voltage: [0.9; 3], ..Bank::default() };
    // A sag of a tenth for half a second, each second, for two minutes.
    for _ in 0..120 {
        lab.run(Bank::default(), 2400);
        lab.run(sag, 2400);
    }
    let steps = lab.captures().len();
    assert!((10..=12).contains(&steps), "{steps} captures");
    for _ in 0..12 {
        lab.captures.contact(lab.now());
        lab.run(Bank::default(), 4800);
    }
    let operations = lab.captures().len() - steps;
    assert!((10..=11).contains(&operations), "{operations} captures");
    lab.run(Bank::default(), 60 * 4800);
    let told: u32 = lab
        .told
        .iter()
        .map(|status| match status {
            Status::CapturesLost { triggers, frames: 0 } => *triggers,
            other => panic!("{other:?}"),
        })
        .sum();
    assert!(told > 200, "{told} triggers told");
}

#[test]
fn nothing_is_taken_of_what_was_not_sampled() {
    let mut lab = Lab::new(RatedFrequency::Hz60);
    lab.run(Bank::default(), 3000);
    lab.history.jump(1_000_000);
    lab.clock.advance_to(1_003_000);
    lab.frames.resize(1_003_000, [i32::MAX; 4]);
    lab.captures.restart(lab.now());
    lab.run(Bank::default(), 100);
    lab.captures.contact(lab.now());
    lab.run(Bank::default(), 3000);
    let captures = lab.captures();
    let [(1_003_000, _, samples, false)] = &captures[..] else { panic!("{captures:?}") };
    assert_eq!(samples.len(), 1100);
}
