//! From findings to events: what is detected, announced and ended, and when.
extern crate std;
use std::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::testing::settings;

/// A detector and its clock; a window is 200 ms.
struct Bench {
    detector: Detector,
    clock: Clock,
    now: u64,
    events: Vec<Event>,
}

impl Bench {
    fn new() -> Self {
        Self::with(&settings())
    }

    fn with(settings: &Settings) -> Self {
        let mut bench =
            Self { detector: Detector::new(settings), clock: Clock::new(1), now: 0, events: Vec::new() };
        bench.run(60.0, &[], true, 1.0);
        bench.events.clear();
        bench
    }

    /// So many seconds in which this is found and the voltages are of this size.
    fn run(&mut self, seconds: f64, found: &[Finding], is_evidence: bool, volts: f32) {
        let findings: Findings = found.iter().copied().collect();
        for _ in 0..(seconds * 5.0).round() as u32 {
            self.now += 960;
            let scene = Scene { now: self.now, voltages_good: 0, evidence: Evidence::default() };
            let Self { detector, clock, events, .. } = self;
            let sink = &mut |event: Event| events.push(event);
            detector.half_cycle([volts; 3], Phases::NONE, self.now - 40, 7200.0, scene, clock, sink);
            for place in 0..PLACES {
                self.events.extend(self.detector.place(place, &findings, is_evidence, scene, &self.clock));
            }
        }
    }

    /// Change, condition, phases, and seconds since frame `from`.
    fn of(&self, condition: Condition, from: u64) -> Vec<(Change, u8, f64)> {
        let of = self.events.iter().filter(|event| event.condition == condition);
        of.map(|e| (e.change, e.phases.bits(), (e.stamp.frame as f64 - from as f64) / 4800.0)).collect()
    }
}

fn finding(condition: Condition, phases: u8, begin: u64) -> Finding {
    Finding::new(condition, Phases::from_bits(phases), begin, &[Cause::FuseOperated, Cause::CutoutOpen])
}

/// Detected with the first window that shows it; announced by route: crew and hazard after 60 s, engineer after 10
/// min; ended once it has been gone for the return time.
#[test]
fn each_route_has_its_time() {
    for (condition, phases, delay) in [
        (Condition::BlownFuse, 1, 60.0),
        (Condition::PhaseMissingAtClose, 2, 60.0),
        (Condition::FailedToOperate, 7, 60.0),
        (Condition::ElementShort, 4, 60.0),
        (Condition::NeutralSignalLost, 8, 60.0),
        (Condition::PoleFailedToOpen, 4, 60.0),
        (Condition::IntermittentPhase, 1, 60.0),
        (Condition::ControlPowerLost, 1, 60.0),
        (Condition::UnitOut, 2, 600.0),
        (Condition::VoltageSignalLost, 2, 600.0),
        (Condition::SecondNeutralPath, 8, 600.0),
        (Condition::CapacitorOverload, 3, 600.0),
    ] {
        let mut bench = Bench::new();
        let from = bench.now;
        bench.run(delay + 30.0, &[finding(condition, phases, from)], true, 1.0);
        let gone = bench.now;
        bench.run(30.0, &[], true, 1.0);
        let seen = bench.of(condition, from);
        let changes: Vec<_> = seen.iter().map(|(change, ..)| *change).collect();
        assert_eq!(changes, [Change::Detected, Change::Announced, Change::Ended], "{condition:?}");
        assert!(seen.iter().all(|(_, of, _)| *of == phases), "{condition:?}: {seen:?}");
        assert!(seen[0].2 <= 0.2, "{seen:?}");
        assert!((seen[1].2 - seen[0].2 - delay).abs() <= 0.21, "{condition:?}: {seen:?}");
        let back = f64::from(Limits::DEFAULT.return_s);
        let ended = bench.of(condition, gone)[2].2;
        assert!((ended - back).abs() <= 0.41, "{condition:?}: {ended}");
        assert_eq!(bench.events[0].begin.frame, from);
        assert_eq!(bench.events[0].causes[..], [Cause::FuseOperated, Cause::CutoutOpen]);
    }
}

/// Whoever is told at once is still not told of poles that may be on their way.
#[test]
fn no_pole_is_blamed_before_the_operate_time_out() {
    let mut settings = settings();
    (settings.limits.crew_delay_s, settings.limits.operate_s) = (2, 15);
    for (condition, delay) in [
        (Condition::FailedToOperate, 15.0),
        (Condition::PoleFailedToOpen, 15.0),
        (Condition::PhaseMissingAtClose, 15.0),
        (Condition::BlownFuse, 2.0),
    ] {
        let mut bench = Bench::with(&settings);
        let from = bench.now;
        bench.run(20.0, &[finding(condition, 1, from)], true, 1.0);
        let seen = bench.of(condition, from);
        assert_eq!(seen.len(), 2, "{condition:?}: {seen:?}");
        assert!((seen[1].2 - seen[0].2 - delay).abs() <= 0.21, "{condition:?}: {seen:?}");
    }
}

/// Restrike and charged closing at once.
#[test]
fn what_is_over_once_said_is_announced_at_once() {
    for condition in [Condition::Restrike, Condition::ClosedWhileCharged] {
        let mut bench = Bench::new();
        let from = bench.now;
        bench.run(1.0, &[finding(condition, 7, from)], true, 1.0);
        let seen = bench.of(condition, from);
        assert_eq!(
            seen.iter().map(|(change, ..)| *change).collect::<Vec<_>>(),
            [Change::Detected, Change::Announced]
        );
        assert!(seen[1].2 <= 0.41, "{seen:?}");
    }
}

/// Announcements of bank conditions wait until all voltages have been good for 30 s; detection does not.
#[test]
fn an_announcement_waits_for_good_voltages() {
    let mut bench = Bench::new();
    let from = bench.now;
    let found = [finding(Condition::BlownFuse, 1, from)];
    bench.run(50.0, &found, true, 1.0);
    bench.run(5.0, &found, true, 0.5);
    bench.run(60.0, &found, true, 1.0);
    let seen = bench.of(Condition::BlownFuse, from);
    assert_eq!(seen[0].0, Change::Detected);
    assert_eq!(seen[1].0, Change::Announced);
    assert!(seen[0].2 <= 0.2 && (seen[1].2 - 85.0).abs() <= 0.41, "{seen:?}");
}

/// A window that is no evidence neither ends nor begins anything.
#[test]
fn no_evidence_ends_nothing() {
    let mut bench = Bench::new();
    let from = bench.now;
    bench.run(5.0, &[finding(Condition::BlownFuse, 1, from)], true, 1.0);
    bench.run(100.0, &[], false, 1.0);
    assert_eq!(bench.of(Condition::BlownFuse, from).len(), 1);
    bench.run(20.0, &[], true, 1.0);
    let changes: Vec<_> = bench.of(Condition::BlownFuse, from).iter().map(|(change, ..)| *change).collect();
    assert_eq!(changes, [Change::Detected, Change::Ended]);
}

/// Each phase has an occurrence of its own.
#[test]
fn two_phases_are_two_occurrences() {
    let mut bench = Bench::new();
    let from = bench.now;
    let (a, c) = (finding(Condition::BlownFuse, 1, from), finding(Condition::BlownFuse, 4, from));
    bench.run(5.0, &[a], true, 1.0);
    bench.run(5.0, &[a, c], true, 1.0);
    let seen = bench.of(Condition::BlownFuse, from);
    assert_eq!(seen.iter().map(|(_, phases, _)| *phases).collect::<Vec<_>>(), [1, 4]);
    assert_ne!(bench.events[0].occurrence, bench.events[1].occurrence);
}

/// Every condition that somebody can find has a place, and one only.
#[test]
fn every_condition_has_one_place() {
    for condition in Condition::ALL {
        let by_half_cycles = matches!(condition, Condition::Sag | Condition::Swell | Condition::Interruption);
        let mut bench = Bench::new();
        let from = bench.now;
        bench.run(0.2, &[finding(condition, 1, from)], true, 1.0);
        let detected = bench.events.iter().filter(|event| event.change == Change::Detected).count();
        assert_eq!(detected, usize::from(!by_half_cycles), "{condition:?}: {:?}", bench.events);
    }
}

proptest! {
    #[test]
    fn no_number_panics(
        rms in prop::array::uniform3(proptest::num::f32::ANY),
        fraction in proptest::num::f32::ANY,
        frames in prop::collection::vec(any::<u64>(), 1..6),
        place in any::<usize>(),
        blind in 0_u8..16,
    ) {
        let mut detector = Detector::new(&settings());
        let clock = Clock::new(0);
        for now in frames {
            let scene = Scene { now, voltages_good: now, evidence: Evidence::default() };
            let begin = now.wrapping_mul(3);
            detector.half_cycle(rms, Phases::from_bits(blind), begin, rms[0], scene, &clock, &mut |_| {});
            let found = Finding { fraction, ..finding(Condition::UnitOut, blind, begin) };
            let findings: Findings = [found].into_iter().collect();
            for place in (0..PLACES).chain([place]) {
                let _ = detector.place(place, &findings, blind > 7, scene, &clock);
            }
        }
    }
}
