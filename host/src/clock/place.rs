//! Starts in UTC, by the anchors that fit together.

use wyelog_firmware::clock::frames_to_ms;
use wyelog_protocol::record::ClockSource;

use super::{Anchor, DRIFT_LIMIT_PPM, Quality, Time, WANDER_PPM, to_ms};

/// A frame, rounded to whole milliseconds.
const ROUNDING_S: f64 = 0.001;

/// How fast a crystal is, in ppm: frames are shorter by it than they should be, give or take.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Drift {
    ppm: f64,
    error_ppm: f64,
}

impl Drift {
    const UNKNOWN: Self = Self { ppm: 0.0, error_ppm: DRIFT_LIMIT_PPM };
    /// A simulation's frames are its time.
    const NONE: Self = Self { ppm: 0.0, error_ppm: 0.0 };

    /// Of a start with two references.
    fn between(first: &Anchor, last: &Anchor) -> Option<Self> {
        let frames = to_ms(last.frame.checked_sub(first.frame)?);
        if frames <= 0.0 {
            return None;
        }
        let ppm = (frames / (last.utc_ms - first.utc_ms) - 1.0) * 1e6;
        let error_ppm = (first.error_s + last.error_s) * 1e9 / frames + WANDER_PPM;
        Some(Self { ppm, error_ppm }).filter(|drift| drift.error_ppm < DRIFT_LIMIT_PPM)
    }

    /// UTC that passes in so many frames, in ms.
    fn utc_ms(&self, frames: u64) -> f64 {
        to_ms(frames) / (1.0 + self.ppm * 1e-6)
    }
}

/// A start in UTC.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    /// In order; none: nothing is known.
    anchors: Vec<Anchor>,
    drift: Drift,
    quality: Quality,
    /// Nothing bounds the time on one side.
    is_open: bool,
    /// UTC in ms that it cannot have begun before, because of the start before it.
    floor_ms: f64,
    /// UTC in ms that it cannot have ended after, because of the start behind it.
    ceiling_ms: f64,
}

impl Placed {
    /// UTC at a frame.
    pub fn at(&self, frame: u64) -> Time {
        let (Some(first), Some(last)) = (self.anchors.first(), self.anchors.last()) else {
            return Time { utc_ms: None, quality: Quality::Unknown, error_s: None };
        };
        let next = self.anchors.iter().find(|anchor| anchor.frame >= frame);
        let past = self.anchors.iter().rev().find(|anchor| anchor.frame <= frame);
        let (utc_ms, error_s, quality) = match (past, next) {
            (Some(past), Some(next)) if past.frame != next.frame => {
                let [into, left] = [frame - past.frame, next.frame - frame].map(to_ms);
                let utc_ms = past.utc_ms + (next.utc_ms - past.utc_ms) * into / (into + left);
                let stray = into.min(left) * WANDER_PPM * 1e-9;
                (utc_ms, past.error_s.max(next.error_s) + stray, Quality::Corrected)
            }
            _ => {
                let anchor = if frame < first.frame { first } else { past.unwrap_or(last) };
                let away = frame.abs_diff(anchor.frame);
                let passed = self.passed(away);
                let utc_ms =
                    if frame < anchor.frame { anchor.utc_ms - passed } else { anchor.utc_ms + passed };
                let error_s = anchor.error_s + to_ms(away) * self.drift.error_ppm * 1e-9;
                (utc_ms, error_s, self.quality)
            }
        };
        // Between references of a simulation nothing was corrected.
        let quality = if self.drift == Drift::NONE { self.quality } else { quality };
        Time {
            // 'as' saturates: a logger that ran for a year before 1970 began at zero.
            utc_ms: Some(utc_ms.min(self.ceiling_ms).max(self.floor_ms).floor() as u64),
            quality,
            error_s: Some(error_s + ROUNDING_S).filter(|_| !self.is_open),
        }
    }

    /// Moves it by so many ms, if only the battery-backed clock places it.
    fn shift(&mut self, ms: f64) {
        if self.quality == Quality::Rtc {
            for anchor in &mut self.anchors {
                anchor.utc_ms += ms;
            }
        }
    }

    /// UTC that passes in so many frames, in ms: without a drift as the logger reckons it.
    fn passed(&self, frames: u64) -> f64 {
        match frames_to_ms(frames) {
            Some(ms) if self.drift.ppm == 0.0 => ms as f64,
            _ => self.drift.utc_ms(frames),
        }
    }
}

/// Every start, in order, by what fits together. `lengths` are their frames.
pub(super) fn all(anchors: &[Anchor], lengths: &[u64]) -> Vec<Placed> {
    let mut starts: Vec<Placed> = lengths
        .iter()
        .enumerate()
        .map(|(start, _)| {
            let anchors: Vec<Anchor> =
                anchors.iter().filter(|anchor| anchor.start == start).copied().collect();
            let is_rtc = anchors.iter().all(|anchor| anchor.source == ClockSource::Rtc);
            let quality = if is_rtc { Quality::Rtc } else { Quality::Synced };
            Placed {
                anchors,
                drift: Drift::UNKNOWN,
                quality,
                is_open: false,
                floor_ms: 0.0,
                ceiling_ms: f64::INFINITY,
            }
        })
        .collect();
    drifts(&mut starts);
    shift(&mut starts, lengths);
    let mut at = 0;
    while at < starts.len() {
        let run = starts.iter().skip(at).take_while(|start| start.anchors.is_empty()).count();
        if run > 0 {
            let before = at.checked_sub(1).and_then(|at| Bound::of_end(&starts, lengths, at));
            let after = starts.get(at + run).and_then(|start| Bound::of(start, 0));
            guess(&mut starts, lengths, at..at + run, before, after);
        }
        at += run + 1;
    }
    separate(&mut starts, lengths);
    starts
}

/// Moves starts that only the battery-backed clock places so that they overlap no neighbour.
fn shift(starts: &mut [Placed], lengths: &[u64]) {
    for at in (0..starts.len()).rev() {
        let end = Bound::of_end(starts, lengths, at);
        let next = starts.get(at + 1).and_then(|start| Bound::of(start, 0));
        if let (Some(start), Some(end), Some(next)) = (starts.get_mut(at), end, next) {
            start.shift((next.utc_ms - end.utc_ms).min(0.0));
        }
    }
    for at in 1..starts.len() {
        let before = Bound::of_end(starts, lengths, at - 1);
        let Some(start) = starts.get_mut(at) else { break };
        if let (Some(before), Some(begin)) = (before, Bound::of(start, 0)) {
            start.shift((before.utc_ms - begin.utc_ms).max(0.0));
        }
    }
}

/// Where two starts overlap nevertheless, the one that is known better says where the border is.
fn separate(starts: &mut [Placed], lengths: &[u64]) {
    for at in 1..starts.len() {
        let ends =
            (Bound::of_end(starts, lengths, at - 1), starts.get(at).and_then(|start| Bound::of(start, 0)));
        let (Some(end), Some(begin)) = ends else { continue };
        let floor = starts.get(at - 1).map_or(0.0, |start| start.floor_ms);
        let is_over = end.utc_ms > begin.utc_ms;
        let border = if end.error_s < begin.error_s { end.utc_ms } else { begin.utc_ms };
        let border = if is_over { border.max(floor) } else { floor };
        if let Some(start) = starts.get_mut(at) {
            start.floor_ms = border;
        }
        if let Some(start) = starts.get_mut(at - 1).filter(|_| is_over) {
            start.ceiling_ms = border;
        }
    }
}

/// UTC at one end of a start.
#[derive(Clone, Copy, Debug)]
struct Bound {
    utc_ms: f64,
    error_s: f64,
}

impl Bound {
    fn of(start: &Placed, frame: u64) -> Option<Self> {
        let time = start.at(frame);
        // Where nothing bounds a time, everything else is known better.
        Some(Self { utc_ms: time.utc_ms? as f64, error_s: time.error_s.unwrap_or(f64::MAX) })
    }

    fn of_end(starts: &[Placed], lengths: &[u64], at: usize) -> Option<Self> {
        Self::of(starts.get(at)?, *lengths.get(at)?)
    }
}

/// How fast the crystal is in each start: by its own references, else by those of the nearest start that has two.
fn drifts(starts: &mut [Placed]) {
    let own: Vec<Option<Drift>> = starts
        .iter()
        .map(|start| match (start.anchors.first(), start.anchors.last()) {
            (Some(first), Some(last)) if first.source == ClockSource::Host => Drift::between(first, last),
            _ => None,
        })
        .collect();
    for (at, start) in starts.iter_mut().enumerate() {
        let is_simulated = start.anchors.iter().any(|anchor| anchor.source == ClockSource::Signal);
        let nearest = || {
            let known = own.iter().enumerate().filter_map(|(other, drift)| Some((other, (*drift)?)));
            let (other, drift) = known.min_by_key(|(other, _)| other.abs_diff(at))?;
            let away = if other == at { 0.0 } else { WANDER_PPM };
            Some(Drift { error_ppm: (drift.error_ppm + away).min(DRIFT_LIMIT_PPM), ..drift })
        };
        start.drift = if is_simulated { Drift::NONE } else { nearest().unwrap_or(Drift::UNKNOWN) };
    }
}

/// Places a run of starts of which nothing is known but that they lie between two others: in the middle of what is possible.
fn guess(
    starts: &mut [Placed],
    lengths: &[u64],
    run: std::ops::Range<usize>,
    before: Option<Bound>,
    after: Option<Bound>,
) {
    let awake: f64 = run.clone().map(|at| to_ms(lengths.get(at).copied().unwrap_or(0))).sum();
    let stray_s = awake * DRIFT_LIMIT_PPM * 1e-9;
    let (mut begin, error_s) = match (before, after) {
        (None, None) => return,
        (Some(before), None) => (before.utc_ms, before.error_s),
        (None, Some(after)) => (after.utc_ms - awake, after.error_s),
        (Some(before), Some(after)) => {
            let slack = (after.utc_ms - before.utc_ms - awake).max(0.0);
            (before.utc_ms + slack / 2.0, slack / 2000.0 + before.error_s.max(after.error_s) + stray_s)
        }
    };
    let is_open = before.is_none() || after.is_none();
    for at in run {
        let (Some(start), Some(length)) = (starts.get_mut(at), lengths.get(at)) else { return };
        let source = ClockSource::Rtc;
        start.anchors.push(Anchor { start: at, frame: 0, utc_ms: begin.max(0.0), error_s, source });
        start.quality = Quality::Guessed;
        start.is_open = is_open;
        begin += to_ms(*length);
    }
}
