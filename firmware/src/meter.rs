//! The half that measures and decides. Every call returns at once; a step takes a bounded number of instructions.

mod bank;

use wyelog_protocol::bank::Settings;
use wyelog_protocol::condition::{Change, Phases};
use wyelog_protocol::message::Live;
use wyelog_protocol::quantity::{Angle, Current, Frequency, PerUnit, Percent, Voltage};
use wyelog_protocol::record::{
    BankRecord, BankState, BaselineRecord, Event, Evidence, Interval, Record, Status, StatusRecord,
};

use crate::bank::baseline::Baseline;
use crate::bank::judge::Judge;
use crate::bank::opening::Opening;
use crate::capture::Captures;
use crate::clock::Clock;
use crate::detect::lasting::Limited;
use crate::detect::{Detector, Scene};
use crate::frontend::{Frame, Input, Scaling};
use crate::identify::{Identified, Identifier, Measured};
use crate::interval::Intervals;
use crate::measure::burst::Bursts;
use crate::measure::cycles::CycleWatch;
use crate::measure::half_cycle::HalfCycles;
use crate::measure::history::{self, History};
use crate::measure::pace::Pace;
use crate::measure::window::{Cut, NO_POINTS, Points, Window, Windows};
use crate::outbox::Outbox;
use crate::spectrum::Spectra;

/// The Meter's large arrays, all zero at first, to be put where the caller has room: 40 KiB.
#[derive(Debug)]
pub struct Buffers {
    history: History,
    points: Points,
}

impl Default for Buffers {
    fn default() -> Self {
        Self::new()
    }
}

impl Buffers {
    /// All zero.
    pub const fn new() -> Self {
        Self { history: History::new(), points: NO_POINTS }
    }
}

/// The changes that one half cycle or window can bring: there are no more lifecycles than places.
type Changes = heapless::Vec<Event, 4>;

/// Measures, identifies, detects.
#[derive(Debug)]
pub struct Meter<'b> {
    buffers: &'b mut Buffers,
    scaling: Scaling,
    clock: Clock,
    cycles: CycleWatch,
    pace: Pace,
    half_cycles: HalfCycles,
    windows: Windows,
    identifier: Identifier,
    bursts: Bursts,
    judge: Judge,
    baseline: Baseline,
    limited: Limited,
    detector: Detector,
    /// Whether capacitors held charge in the last window.
    was_charged: bool,
    /// What was last recorded of the bank.
    bank: Option<BankRecord>,
    intervals: Intervals,
    captures: Captures,
    opening: Option<Opening>,
    spectra: Spectra,
    /// What the contact input says; `None` while nothing has come from it.
    closed: Option<bool>,
    /// The last window, for the evidence of what half cycles decide.
    evidence: Evidence,
    /// First and last frame of the last sag, swell or interruption, or of several that followed each other closely.
    disturbed: (u64, u64),
    /// Until when the voltages of A, B, C are no evidence because they were clipped.
    doubtful: [u64; 3],
    /// Frames in ten cycles.
    ten_cycles: u64,
    /// Records that found no room.
    lost_records: u32,
}

impl<'b> Meter<'b> {
    /// At frame 0 of start number `boot`.
    pub fn new(buffers: &'b mut Buffers, settings: &Settings, boot: u32) -> Self {
        let scaling = Scaling::new(settings);
        let rated = settings.nameplate.frequency;
        let clock = Clock::new(boot);
        Self {
            buffers,
            scaling,
            clock,
            cycles: CycleWatch::new(rated),
            pace: Pace::default(),
            half_cycles: HalfCycles::new(rated),
            windows: Windows::new(rated),
            identifier: Identifier::new(scaling, rated.cycles_per_window()),
            bursts: Bursts::new(
                scaling.voltage.map(|scale| scale * scaling.unit_ratio),
                scaling.neutral,
                rated.frames_per_cycle(),
            ),
            judge: Judge::new(settings),
            baseline: Baseline::new(settings),
            limited: Limited::new(settings, scaling.unit_ratio),
            detector: Detector::new(settings),
            was_charged: false,
            bank: None,
            intervals: Intervals::new(settings.interval_s, &clock),
            captures: Captures::new(rated.frames_per_cycle()),
            opening: None,
            spectra: Spectra::new(&clock),
            closed: None,
            evidence: Evidence::default(),
            disturbed: (0, 0),
            doubtful: [0; 3],
            ten_cycles: u64::from(rated.frames_per_cycle()).saturating_mul(10),
            lost_records: 0,
        }
    }

    /// Goes on with the baseline that an earlier start left; to be called before the first input.
    pub fn resume(&mut self, baseline: BaselineRecord) {
        self.baseline.resume(baseline);
        if let Some((y, common_sigma)) = self.baseline.known() {
            self.judge.resume(y, common_sigma);
        }
    }

    /// Frames since the start.
    pub const fn frames(&self) -> u64 {
        self.clock.frames()
    }

    /// Takes what has happened.
    pub fn input(&mut self, input: Input, out: &mut impl Outbox) {
        match input {
            Input::Frame(frame) => self.frame(&frame, out),
            Input::FramesLost(count) => self.frames_lost(count, out),
            Input::Contact(closed) => {
                // A contact may chatter faster than frames come.
                if self.closed == Some(closed) {
                    return;
                }
                self.judge.told(closed, self.clock.frames());
                if self.closed.replace(closed).is_some() {
                    self.captures.contact(self.clock.frames());
                }
            }
            Input::Baseline(order) => self.baseline.order(order, self.clock.frames()),
            Input::Clock(utc_ms, source) => {
                let before_ms = self.clock.set(utc_ms);
                self.intervals.place_end(&self.clock);
                self.spectra.place_end(&self.clock);
                self.status(Status::ClockSet { before_ms, after_ms: utc_ms, source }, out);
            }
        }
    }

    /// Takes `count` windows in the place of their frames, for simulations of weeks: they follow each other and are all like
    /// `window`, the first. Everything behind the measurement is the same code, run once for all of them but for the
    /// interval, which counts each; half-cycle values are the window's. Frames may follow.
    pub fn window_level(&mut self, window: &Window, count: u16, out: &mut impl Outbox) {
        let length = window.end.saturating_sub(window.begin);
        let end = window.end.saturating_add(length.saturating_mul(u64::from(count.saturating_sub(1))));
        self.buffers.history.jump(end.saturating_sub(self.clock.frames()));
        self.clock.advance_to(end);
        self.windows.restart(&self.buffers.history);
        self.cycles.interrupt();
        self.half_cycles.interrupt();
        self.bursts.interrupt();
        self.opening = None;
        self.captures.restart(end);
        let [a, b, c, _] = window.rms;
        self.half_cycle([a, b, c], Phases::ABC, window.begin, out);
        let Some(taken) = self.window(window, out) else { return };
        self.identifier.hold(end);
        for n in 1..count {
            let later = length.saturating_mul(u64::from(n));
            let (begin, end) = (window.begin.saturating_add(later), window.end.saturating_add(later));
            let measured = Measured { begin, end, ..taken.0 };
            self.aggregate(&measured, taken.1.as_ref(), out);
        }
    }

    fn frame(&mut self, frame: &Frame, out: &mut impl Outbox) {
        self.buffers.history.push(frame);
        self.clock.advance(1);
        self.bursts.push(&self.buffers.history);
        let clipped = frame.clipped();
        if clipped != Phases::NONE {
            self.clipped(clipped);
        }
        if self.cycles.push(frame, &self.scaling.voltage) {
            self.half_cycles.set_frequency(self.pace.frequency(self.cycles.settled_frequency()));
        }
        let refreshed = self.half_cycles.push(frame);
        if refreshed != Phases::NONE {
            let begin = self.frames_ago(self.half_cycles.moved(refreshed));
            self.half_cycle(self.half_cycles.rms(), refreshed, begin, out);
        }
        let watch = self.cycles.frequency();
        let (interval, spectrum) = (self.intervals.tick(), self.spectra.tick());
        let tick = if interval < spectrum { interval } else { spectrum };
        let cut = Cut { frequency: self.pace.frequency(watch), watch, tick };
        let Buffers { history, points } = &mut *self.buffers;
        if let Some(complete) = self.windows.step(history, points, &cut) {
            let window = self.windows.window(&complete);
            if let Some((measured, _)) = self.window(&window, out) {
                self.steer(&window, measured.frequency);
            }
        }
        let lost =
            self.captures.frame(frame, (&self.scaling, watch), &self.buffers.history, &self.clock, out);
        if let Some(status) = lost {
            self.status(status, out);
        }
        let stepped = self.captures.stepped();
        if stepped.is_some() || self.opening.is_some() {
            self.fit_opening(stepped, watch);
        }
    }

    /// What a sensor says is no evidence for ten cycles after it was clipped.
    fn clipped(&mut self, channels: Phases) {
        self.windows.mark_clipped(&self.buffers.history);
        let until = self.clock.frames().saturating_add(self.ten_cycles);
        for (phase, doubtful) in self.doubtful.iter_mut().enumerate() {
            if channels.contains(phase) {
                *doubtful = until;
            }
        }
    }

    /// The frame so many frames before the last one.
    fn frames_ago(&self, frames: f32) -> u64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "'as' saturates; a few hundred"
        )]
        let whole = libm::roundf(frames) as u64;
        self.clock.frames().saturating_sub(1).saturating_sub(whole)
    }

    /// Tells the half cycles where the zero crossings are.
    fn steer(&mut self, window: &Window, frequency: f32) {
        /// A window and the watch that differ by more than this, in Hz, are no place to look ahead from.
        const DISAGREE: f32 = 0.1;
        let agree = (frequency - self.cycles.settled_frequency()).abs() < DISAGREE;
        if !agree || window.flagged {
            return;
        }
        let [a, b, c, _] = window.fundamental;
        let frames_per_cycle = window.length / f32::from(self.windows.cycles());
        #[expect(clippy::cast_precision_loss, reason = "a window and a half")]
        let [now, fraction] = [
            self.clock.frames().saturating_sub(1).saturating_sub(window.begin) as f32,
            window.fraction as f32 * (1.0 / 4_294_967_296.0),
        ];
        let may_jump = self.detector.disturbed_since(self.clock.frames()).is_none();
        for ((phase, voltage), scale) in [a, b, c].into_iter().enumerate().zip(self.scaling.voltage) {
            // Below 10 % a crossing is as good as another.
            if voltage.magnitude() * scale > 0.1 {
                // At the middle of the window the phase is that at its first instant, whole cycles later.
                let turns = 0.25 - voltage.angle() / core::f32::consts::TAU;
                let crossing = fraction + 0.5 * window.length + turns * frames_per_cycle - now;
                self.half_cycles.steer(phase, crossing, may_jump);
            }
        }
    }

    fn frames_lost(&mut self, count: u32, out: &mut impl Outbox) {
        self.captures.frames_lost(self.clock.frames(), count);
        self.buffers.history.skip(count);
        self.clock.advance(count);
        self.windows.mark_gap(&self.buffers.history);
        if count > history::FRAMES / 4 {
            self.windows.restart(&self.buffers.history);
        }
        self.cycles.interrupt();
        self.half_cycles.interrupt();
        self.bursts.interrupt();
        self.status(Status::FramesLost { count }, out);
    }

    /// Takes the rms of A, B, C over their last cycles, in counts, of which those named are new; a change of them began at
    /// frame `begin`.
    fn half_cycle(&mut self, counts: [f32; 3], refreshed: Phases, begin: u64, out: &mut impl Outbox) {
        let mut rms = self.scaling.known(counts);
        for (rms, scale) in rms.iter_mut().zip(self.scaling.voltage) {
            *rms *= scale;
        }
        let refreshed = Phases::from_bits(refreshed.bits() & self.scaling.measured.bits());
        self.intervals.half_cycle(rms, refreshed);
        let base = self.scaling.base_voltage;
        let evidence = Evidence { voltage: rms.map(|rms| Voltage::quantise(rms * base)), ..self.evidence };
        let scene = Scene { now: self.clock.frames(), voltages_good: 0, evidence };
        let mut changes = Changes::new();
        let mut judged = rms;
        let blind = Phases::from_bits(self.judge.blind() | !self.scaling.measured.bits());
        for (phase, (rms, doubtful)) in judged.iter_mut().zip(self.doubtful).enumerate() {
            if doubtful > self.clock.frames() || blind.contains(phase) {
                *rms = f32::NAN;
            }
        }
        let out_of = &mut |event| drop(changes.push(event));
        self.detector.half_cycle(judged, blind, begin, base, scene, &self.clock, out_of);
        if let Some(since) = self.detector.disturbed_since(self.clock.frames()) {
            let (from, until) = self.disturbed;
            let goes_on = since <= until.saturating_add(self.ten_cycles);
            self.disturbed = (if goes_on { from } else { since }, self.clock.frames());
        }
        self.events(changes, out);
    }

    /// Measures, identifies and detects; gives what went into the interval, unless frames of the window were lost.
    #[inline(never)]
    fn window(&mut self, window: &Window, out: &mut impl Outbox) -> Option<(Measured, Option<Identified>)> {
        let mut measured = self.identifier.measure(window);
        self.pace.window(measured.frequency, window.watch);
        let (from, until) = self.disturbed;
        measured.flagged |= from < measured.end && until > measured.begin;
        if let Some(spectrum) = self.spectra.window(&measured, &self.clock) {
            self.record(Record::Spectrum(spectrum), out);
        }
        let known = self.known();
        if measured.gap {
            let interval = self.intervals.gap(&measured, &self.scaling, &known, &self.clock);
            self.interval(interval, out);
            out.window(&measured, None);
            return None;
        }
        let look = self.identifier.look(&measured);
        let before = self.judge.connected_if_known();
        let is_evidence = self.weigh(&measured, look.as_ref(), out);
        if let Some(look) = look.as_ref().filter(|_| is_evidence) {
            self.baseline(look, out);
        }
        let identified = self
            .identifier
            .residual(&measured)
            .map(|residual| Identified { residual, connected: self.judge.connected_if_known() });
        self.evidence = self.evidence_of(&measured, identified.as_ref());
        self.evidence.connected_before = before.map(PerUnit::quantise);
        self.detect(&measured, look.as_ref(), is_evidence, out);
        out.window(&measured, identified.as_ref());
        out.live(self.live(&measured, identified.as_ref()));
        self.bank_record(out);
        let carries = self.judge.state() != BankState::Open;
        let connected = identified.filter(|_| carries);
        self.aggregate(&measured, connected.as_ref(), out);
        Some((measured, connected))
    }

    /// Adds a window to the interval. `connected` is what it says of a bank that is not told to be open.
    fn aggregate(&mut self, measured: &Measured, connected: Option<&Identified>, out: &mut impl Outbox) {
        let known = self.known();
        let interval = self.intervals.window(measured, connected, &self.scaling, &known, &self.clock);
        self.interval(interval, out);
    }

    fn interval(&mut self, interval: Option<Interval>, out: &mut impl Outbox) {
        if let Some(interval) = interval {
            self.record(Record::Interval(interval), out);
        }
    }

    fn evidence_of(&self, measured: &Measured, identified: Option<&Identified>) -> Evidence {
        let neutral = measured.fundamental.as_ref().map_or(f32::NAN, |f| f.neutral.magnitude());
        Evidence {
            voltage: measured.voltage_rms.map(|rms| Voltage::quantise(rms * self.scaling.base_voltage)),
            neutral: Current::quantise(neutral * self.scaling.base_current),
            residual: identified.map_or(PerUnit::ABSENT, |i| PerUnit::quantise(i.residual.magnitude())),
            residual_angle: identified.map_or(Angle::ABSENT, |i| Angle::quantise(i.residual.angle_degrees())),
            connected_before: [PerUnit::ABSENT; 3],
            connected_after: identified.map_or([PerUnit::ABSENT; 3], |i| i.connected.map(PerUnit::quantise)),
        }
    }

    fn live(&self, measured: &Measured, identified: Option<&Identified>) -> Live {
        let fundamental = measured.fundamental.as_ref();
        let evidence = self.evidence_of(measured, identified);
        Live {
            stamp: self.clock.stamp(measured.end),
            frequency: Frequency::quantise(measured.frequency),
            voltage: evidence.voltage,
            voltage_fundamental: fundamental.map_or([Voltage::ABSENT; 3], |f| {
                f.voltage.map(|v| Voltage::quantise(v.magnitude() * self.scaling.base_voltage))
            }),
            voltage_angle: fundamental
                .map_or([Angle::ABSENT; 3], |f| f.voltage.map(|v| Angle::quantise(v.angle_degrees()))),
            neutral: Current::quantise(measured.neutral_rms * self.scaling.base_current),
            neutral_fundamental: evidence.neutral,
            // Against the ideal capacitor current of phase A, 90° ahead of the positive-sequence voltage.
            neutral_angle: fundamental
                .map_or(Angle::ABSENT, |f| Angle::quantise((-f.neutral.times_j()).angle_degrees())),
            residual: evidence.residual,
            residual_angle: evidence.residual_angle,
            u2: Percent::quantise(fundamental.and_then(|f| f.u2).unwrap_or(f32::NAN)),
            u0: Percent::quantise(fundamental.and_then(|f| f.u0).unwrap_or(f32::NAN)),
            connected: evidence.connected_after,
        }
    }

    fn events(&mut self, changes: Changes, out: &mut impl Outbox) {
        for event in changes {
            self.event(event, out);
        }
    }

    fn event(&mut self, event: Event, out: &mut impl Outbox) {
        if event.change == Change::Detected {
            self.captures.detected(event.begin.frame, self.clock.frames());
        }
        self.record(Record::Event(event), out);
    }

    fn status(&mut self, status: Status, out: &mut impl Outbox) {
        let stamp = self.clock.stamp(self.clock.frames());
        self.record(Record::Status(StatusRecord { stamp, status }), out);
    }

    /// Sends a record; what finds no room is counted, and the count is the first thing sent when there is room again.
    fn record(&mut self, record: Record, out: &mut impl Outbox) {
        if self.lost_records > 0 {
            let status = Status::RecordsLost { count: self.lost_records };
            let stamp = self.clock.stamp(self.clock.frames());
            if out.record(Record::Status(StatusRecord { stamp, status })).is_ok() {
                self.lost_records = 0;
            }
        }
        if self.lost_records > 0 || out.record(record).is_err() {
            self.lost_records = self.lost_records.saturating_add(1);
        }
    }
}

#[cfg(test)]
mod tests;
