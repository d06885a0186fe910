//! Sags of known depth, begin and duration, and what the log says of them.
//!
//! The residual voltage is judged against Urms(1/2) as IEC 61000-4-30 5.4 defines it (from memory): over one cycle from one
//! zero crossing of the channel's fundamental, refreshed each half cycle. Begin and duration are judged against those of the sag
//! itself.

use wyelog_protocol::bank::RatedFrequency;
use wyelog_protocol::condition::{Change, Condition};
use wyelog_protocol::record::{Event, Record};
use wyelog_simulator::complex::Complex;

use super::cases::frequency;
use super::heard::{Heard, first_s, play};
use super::signal::{DECLARED_V, RATE, Signal, Step, balanced};
use super::sweep::{RATED, in_parallel};
use super::tally::Worst;
use super::truth::rms_between;

/// Below it a sag begins.
const THRESHOLD: f64 = 0.9;

/// A voltage this near to the threshold may be taken for either.
const UNDECIDED: f64 = 0.001;

/// Residual voltages, per unit. With three phases at 10 % it would be an interruption as well.
const RESIDUALS: [f64; 7] = [0.1, 0.25, 0.4, 0.55, 0.7, 0.8, 0.89];

/// Durations in cycles.
const DURATIONS: [f64; 9] = [1.0, 1.5, 2.0, 2.3, 3.7, 5.0, 10.0, 17.2, 50.0];

/// Which of A, B, C.
const PHASES: [[bool; 3]; 5] = [
    [true, false, false],
    [false, true, false],
    [false, true, true],
    [true, false, true],
    [true, true, true],
];

/// Limits of the standard and ours: residual voltage in % of declared and duration in cycles (IEC 61000-4-30 class A 5.4, from
/// memory).
pub const LIMITS: [(f64, f64); 2] = [(0.2, 0.1), (1.0, 0.5)];

/// What is wrong with what was said of the sags.
#[derive(Clone, Debug, Default)]
pub struct SagTally {
    /// Residual voltage of the deepest phase in % of declared, of sags that hold a whole cycle between zero crossings.
    pub residual: Worst,
    /// The same of shorter ones: what Urms(1/2) holds of them depends on where between two frames they begin and end, which no
    /// frame tells. At the crest that is 0.7 %.
    pub residual_of_short: Worst,
    /// Duration in cycles.
    pub duration: Worst,
    /// Begin in cycles.
    pub begin: Worst,
    /// Sags that the log has no, or more than one, event for, or one of other phases, as text.
    pub wrong: Vec<String>,
    /// Sags of which Urms(1/2) never falls below the threshold, and which must not be in the log.
    pub too_short: u32,
    /// Windows that a sag touches and that are not flagged, or the other way round, as text.
    pub flags: Vec<String>,
}

impl SagTally {
    fn join(&mut self, other: &Self) {
        self.residual.join(&other.residual);
        self.residual_of_short.join(&other.residual_of_short);
        self.duration.join(&other.duration);
        self.begin.join(&other.begin);
        self.wrong.extend_from_slice(&other.wrong);
        self.too_short += other.too_short;
        self.flags.extend_from_slice(&other.flags);
    }
}

/// Every sag at seven frequencies of each bank.
pub fn sweep(threads: usize) -> SagTally {
    let places: Vec<(RatedFrequency, usize)> =
        RATED.into_iter().flat_map(|rated| (0..7).map(move |index| (rated, index))).collect();
    let mut tally = SagTally::default();
    let parts = in_parallel(&places, threads, |(rated, index)| {
        let hz = match index {
            // The one that most sags happen at.
            0 => f64::from(rated.hz()),
            n => frequency(*rated, 4 * n - 2),
        };
        let mut tally = SagTally::default();
        for (which, phases) in PHASES.into_iter().enumerate() {
            let (signal, seconds) = sags(*rated, hz, phases, 61 * index + 13 * which);
            tally.join(&judge(&signal, &play(&signal, seconds)));
        }
        tally
    });
    parts.iter().for_each(|part| tally.join(part));
    tally
}

/// A signal with a sag of each residual voltage and of one of the durations, and how long it lasts. Begins are spread over the
/// cycle.
pub fn sags(rated: RatedFrequency, hz: f64, phases: [bool; 3], seed: usize) -> (Signal, f64) {
    let names: Vec<&str> =
        ["A", "B", "C"].into_iter().zip(phases).filter(|(_, sags)| *sags).map(|(name, _)| name).collect();
    let mut signal = Signal::new(format!("sags of {}", names.join(" and ")), rated, hz, balanced(1.0, 31.0));
    let mut at = 1.2;
    for (index, duration) in DURATIONS.into_iter().enumerate() {
        for turn in 0..2 {
            let n = seed + 2 * index + turn;
            let residual = match RESIDUALS[n % RESIDUALS.len()] {
                deep if phases == [true; 3] && deep < 0.12 => deep + 0.02,
                residual => residual,
            };
            let part = n as f64 * 0.618_033_988_749_894_9;
            at += (part - libm::floor(part)) / hz;
            let until = at + duration / hz;
            let one = Complex::ONE;
            let factor = core::array::from_fn(|channel| match phases.get(channel) {
                Some(true) => one.scaled(residual),
                _ => one,
            });
            signal.steps.push(Step { at, until, factor });
            // Twelve cycles and more to the next one.
            at = until + 0.35;
        }
    }
    (signal, at)
}

/// Holds the events of the log against the sags of the signal.
pub fn judge(signal: &Signal, heard: &Heard) -> SagTally {
    let mut tally = SagTally::default();
    let events: Vec<&Event> = heard
        .records
        .iter()
        .filter_map(|record| match record {
            Record::Event(event) if event.condition == Condition::Sag => Some(event),
            _ => None,
        })
        .collect();
    let mut explained = 0;
    let lowest: Vec<[f64; 3]> = signal.steps.iter().map(|sag| lowest_by_definition(signal, sag)).collect();
    for (sag, lowest) in signal.steps.iter().zip(&lowest) {
        let (cycles, percent) = ((sag.until - sag.at) * signal.hz, 100.0 * residual_of(sag));
        let at = || format!("{}, {cycles:.1} cycles at {percent:.0} %, {:.3} Hz", signal.name, signal.hz);
        let deepest = lowest.iter().copied().fold(f64::INFINITY, f64::min);
        let of_it: Vec<&&Event> = events.iter().filter(|event| is_of(event, sag)).collect();
        explained += of_it.len();
        if deepest > THRESHOLD - UNDECIDED {
            tally.too_short += 1;
            if !of_it.is_empty() && deepest > THRESHOLD + UNDECIDED {
                tally.wrong.push(format!("{}: logged, though Urms(1/2) stayed at {deepest:.4}", at()));
            }
            continue;
        }
        let ended: Vec<&&Event> =
            of_it.iter().copied().filter(|event| event.change == Change::Ended).collect();
        let detected = of_it.iter().filter(|event| event.change == Change::Detected).count();
        let ([event], 1) = (ended.as_slice(), detected) else {
            tally.wrong.push(format!(
                "{}: Urms(1/2) down to {deepest:.4}, {} ended, {detected} detected",
                at(),
                ended.len()
            ));
            continue;
        };
        for (phase, lowest) in lowest.iter().enumerate() {
            let decided = (lowest - THRESHOLD).abs() > UNDECIDED;
            if decided && event.phases.contains(phase) != (*lowest < THRESHOLD) {
                tally.wrong.push(format!("{}: phases {:?}", at(), event.phases));
            }
        }
        let said = event.evidence.voltage.iter().filter_map(|volts| volts.value_f64());
        let said = said.fold(f64::INFINITY, f64::min) / DECLARED_V;
        let residual = if cycles > 1.49 { &mut tally.residual } else { &mut tally.residual_of_short };
        residual.take(100.0 * (said - deepest), at);
        let (begin, end) = span(event);
        tally.duration.take((end - begin) * signal.hz - cycles, at);
        tally.begin.take((begin - sag.at) * signal.hz, at);
    }
    if explained != events.len() {
        tally.wrong.push(format!("{}: {} events too many", signal.name, events.len() - explained));
    }
    flags(signal, &lowest, heard, &mut tally);
    tally
}

fn residual_of(sag: &Step) -> f64 {
    sag.factor.iter().map(|factor| factor.abs()).fold(1.0, f64::min)
}

fn span(event: &Event) -> (f64, f64) {
    let end = event.end.map_or(f64::NAN, |end| end.frame as f64 / RATE);
    (event.begin.frame as f64 / RATE, end)
}

/// Whether it begins in the time of the sag, or within three cycles around it.
fn is_of(event: &Event, sag: &Step) -> bool {
    let begin = event.begin.frame as f64 / RATE;
    sag.at - 0.06 < begin && begin < sag.until + 0.06
}

/// The lowest Urms(1/2) of A, B, C around a sag, per unit of the declared voltage.
fn lowest_by_definition(signal: &Signal, sag: &Step) -> [f64; 3] {
    let fundamental =
        signal.harmonics.iter().find(|(order, _)| *order == 1).map_or([Complex::ZERO; 4], |(_, c)| *c);
    core::array::from_fn(|channel| {
        let (mut lowest, phasor) = (f64::INFINITY, fundamental[channel]);
        // Zero crossings are a quarter of a turn behind the crest, and each half turn.
        let first = 0.25 - phasor.degrees() / 360.0;
        let mut half = libm::floor(2.0 * (signal.turns(sag.at) - first)) - 2.0;
        loop {
            let begin = (first + 0.5 * half) / signal.hz;
            // Two cycles into it nothing lower comes any more.
            if begin > sag.until || begin > sag.at + 2.0 / signal.hz {
                return lowest;
            }
            let rms = rms_between(signal, begin, begin + 1.0 / signal.hz);
            lowest = lowest.min(rms[channel]);
            half += 1.0;
        }
    })
}

/// A window that holds a part of a sag is flagged; one that is a cycle and more before it, or two cycles behind it, is not
/// (IEC 61000-4-30 4.7, from memory).
fn flags(signal: &Signal, lowest: &[[f64; 3]], heard: &Heard, tally: &mut SagTally) {
    let cycle = 1.0 / signal.hz;
    for pair in heard.windows.windows(2) {
        let [window, next] = pair else { continue };
        let (from, to) = (first_s(window), first_s(next));
        if from < 1.0 {
            continue;
        }
        let near = signal.steps.iter().any(|sag| from < sag.until + 2.0 * cycle && sag.at - cycle < to);
        // The first and the last half cycle may be too little of the sag to be one.
        let holds = signal.steps.iter().zip(lowest).any(|(sag, lowest)| {
            lowest.iter().any(|lowest| *lowest < THRESHOLD - UNDECIDED)
                && from < sag.until - cycle
                && sag.at + cycle < to
        });
        if window.flagged && !near {
            tally.flags.push(format!("{}, {:.3} Hz: flagged at {from:.3} s", signal.name, signal.hz));
        } else if !window.flagged && holds {
            tally.flags.push(format!("{}, {:.3} Hz: not flagged at {from:.3} s", signal.name, signal.hz));
        }
    }
}
