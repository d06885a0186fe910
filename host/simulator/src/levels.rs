//! Weeks of a scenario at two levels: sample by sample around everything that happens, window by window in between.
//!
//! At **sample level** every frame is computed and goes through the whole firmware. At **window level** the logger gets, in
//! the place of the frames, what its first stage would have measured over them ([`Meter::window_level`]): the steady state
//! as the sensors see it, taken as whole cycles. Everything behind that stage is the same code at both levels.
//!
//! [`Meter::window_level`]: wyelog_firmware::meter::Meter::window_level

use std::collections::VecDeque;

use embedded_storage::nor_flash::NorFlash;
use wyelog_electrical::Phasor;
use wyelog_firmware::frontend::Input;
use wyelog_firmware::logger::Logger;
use wyelog_firmware::measure::window::Window;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::record::ClockSource;

use crate::complex::Complex;
use crate::frames_per_second;
use crate::scenario::{BankEventKind, Scenario};
use crate::tape::{Converter, Orders};
use crate::waveform::{Steady, Waveform};

/// Sample level begins so long before something happens, in s: more than a window, and the bank is seen as it was.
const BEFORE_S: f64 = 5.0;
/// It ends so long after, in s: transients are over, what the logger decides within windows is decided.
const AFTER_S: f64 = 10.0;
/// At window level so much is taken at once, in s, unless stated.
const GROUP_S: f64 = 3.0;

/// What enters a logger next.
#[derive(Clone, Copy, Debug)]
#[expect(clippy::large_enum_variant, reason = "one at a time, and never kept")]
pub enum Step {
    /// At sample level: an input.
    Input(Input),
    /// At window level: so many windows in a row, the first of which is this.
    Windows(Window, u16),
}

impl Step {
    /// Puts it into a logger.
    pub fn enter<F: NorFlash>(&self, logger: &mut Logger<'_, F>) {
        match self {
            Self::Input(input) => logger.input(*input),
            Self::Windows(window, count) => logger.window_level(window, *count),
        }
    }
}

/// Frames of which the level is the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    until: u64,
    is_sampled: bool,
}

/// A scenario at two levels: by iterating, everything that enters the logger.
#[derive(Debug)]
pub struct Levels {
    settings: Settings,
    waveform: Waveform,
    converter: Converter,
    stretches: VecDeque<Stretch>,
    ready: VecDeque<Input>,
    orders: Orders,
    cycles: f64,
    frames: u64,
    sampled: u64,
    group_s: f64,
}

impl Levels {
    /// Solves the scenario and finds what happens when.
    pub fn new(scenario: &Scenario) -> Self {
        let settings = scenario.settings();
        let waveform = Waveform::new(scenario);
        let frames = waveform.len() as u64;
        let stretches = stretches(&moments(scenario), frames);
        let mut sampled = 0;
        let mut from = 0;
        for stretch in &stretches {
            sampled += if stretch.is_sampled { stretch.until - from } else { 0 };
            from = stretch.until;
        }
        let start = u64::try_from(scenario.start_utc_s.saturating_mul(1000)).ok();
        Self {
            converter: Converter::new(&settings),
            cycles: f64::from(settings.nameplate.frequency.cycles_per_window()),
            settings,
            waveform,
            stretches: stretches.into(),
            ready: start.map(|utc_ms| Input::Clock(utc_ms, ClockSource::Signal)).into_iter().collect(),
            orders: Orders::of(scenario),
            frames,
            sampled,
            group_s: GROUP_S,
        }
    }

    /// So much is taken at once at window level, in s: years go faster, and what takes several looks takes longer.
    #[must_use]
    pub fn grouped(self, group_s: f64) -> Self {
        Self { group_s, ..self }
    }

    /// What the logger is told.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Seconds at sample level and at window level.
    pub fn seconds(&self) -> (f64, f64) {
        let seconds = |frames: u64| frames as f64 / frames_per_second();
        (seconds(self.sampled), seconds(self.frames - self.sampled))
    }

    /// The next windows, if a whole one has room before `until`.
    fn windows(&mut self, until: u64) -> Option<Step> {
        let begin = self.waveform.index();
        let steady = self.waveform.steady();
        let length = self.cycles * frames_per_second() / steady.hz;
        let frames = libm::round(length) as u64;
        let room = until.checked_sub(begin + frames)?;
        // A window on the border to the next steady state is counted to this one.
        let alike = (steady.until.min(until).saturating_sub(begin) / frames).max(1);
        let group = libm::floor(self.group_s * frames_per_second() / length) as u64;
        let count = alike.min(group).min(room / frames + 1).max(1);
        self.waveform.skip_to(begin + count * frames);
        Some(Step::Windows(self.window(&steady, begin, begin + frames, length), count as u16))
    }

    fn window(&self, steady: &Steady, begin: u64, end: u64, length: f64) -> Window {
        let mut window = Window { length: length as f32, ..Window::of_zeros(begin, end) };
        for (index, (channel, scale)) in steady.channels.iter().zip(self.converter.scale).enumerate() {
            let Complex { re, im } = channel.fundamental.scaled(scale);
            window.rms[index] = (channel.rms * scale) as f32;
            window.peak[index] = (channel.peak * scale) as f32;
            window.fundamental[index] = Phasor::new(re as f32, im as f32);
            window.harmonics[index] = channel.harmonics.map(|rms| (rms * scale) as f32);
            window.flagged |= channel.is_clipped;
        }
        window
    }
}

impl Iterator for Levels {
    type Item = Step;

    fn next(&mut self) -> Option<Step> {
        loop {
            if let Some(input) = self.ready.pop_front() {
                return Some(Step::Input(input));
            }
            let stretch = *self.stretches.front()?;
            if self.waveform.index() >= stretch.until {
                self.stretches.pop_front();
                continue;
            }
            if !stretch.is_sampled
                && let Some(step) = self.windows(stretch.until)
            {
                return Some(step);
            }
            // Sample level, or the rest of a stretch that is shorter than a window.
            self.orders.take(self.waveform.index(), &mut self.ready);
            if let Some(sample) = self.waveform.next() {
                self.converter.take(&sample, &mut self.ready);
            }
        }
    }
}

/// When something happens, in s.
fn moments(scenario: &Scenario) -> Vec<f64> {
    let mut moments = vec![0.0];
    // What moves the steady state alone is left to the windows.
    for event in scenario.feeder.events.iter().filter(|event| !event.is_gentle()) {
        moments.extend([event.at_s, event.at_s + event.duration_s, event.end_s()]);
    }
    for event in &scenario.bank.events {
        moments.push(event.at_s);
        match event.kind {
            BankEventKind::Opens { delay_s, manner, .. } | BankEventKind::Closes { delay_s, manner, .. } => {
                let first = event.at_s + delay_s;
                moments.push(first);
                let lags = manner.lag_s.into_iter().filter(|lag| *lag > 0.0);
                moments.extend(lags.map(|lag| first + lag));
            }
            BankEventKind::DropsOut { duration_s, .. } => moments.push(event.at_s + duration_s),
            _ => {}
        }
    }
    moments.extend(scenario.sensors.broken_wires.iter().flat_map(|wire| [wire.at_s, wire.until_s]));
    moments.extend(scenario.sensors.second_paths.iter().map(|path| path.at_s));
    moments.extend(scenario.commissioning.iter().map(|said| said.at_s));
    moments.retain(|moment| moment.is_finite());
    moments.sort_by(f64::total_cmp);
    moments
}

/// The stretches, one behind the other, up to frame `frames`.
fn stretches(moments: &[f64], frames: u64) -> Vec<Stretch> {
    let frame = |seconds: f64| (libm::floor(seconds.max(0.0) * frames_per_second()) as u64).min(frames);
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut at = 0;
    for moment in moments {
        let (from, until) = (frame(moment - BEFORE_S), frame(moment + AFTER_S));
        if from > at {
            stretches.push(Stretch { until: from, is_sampled: false });
        }
        match stretches.last_mut() {
            Some(last) if last.is_sampled => last.until = until.max(last.until),
            _ if until > at => stretches.push(Stretch { until, is_sampled: true }),
            _ => {}
        }
        at = until.max(at);
    }
    if at < frames {
        stretches.push(Stretch { until: frames, is_sampled: false });
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_join_and_end_with_the_scenario() {
        let sampled = |until: u64| Stretch { until: until * 4800, is_sampled: true };
        let windows = |until: u64| Stretch { until: until * 4800, is_sampled: false };
        assert_eq!(
            stretches(&[0.0, 100.0, 102.0, 300.0, 898.0], 900 * 4800),
            [sampled(10), windows(95), sampled(112), windows(295), sampled(310), windows(893), sampled(900)]
        );
        assert_eq!(stretches(&[0.0], 4800), [sampled(1)]);
    }

    #[test]
    fn steps_of_the_steady_state_are_left_to_the_windows() {
        let text = "name = \"l\"\nduration_s = 200\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
            [[feeder.event]]\nkind = \"regulator_step\"\nat_s = 100\nsteps = 4\n[air]\ncelsius = 25\n\
            [bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n";
        let levels = Levels::new(&Scenario::parse("l.toml", text).unwrap());
        assert_eq!(levels.seconds(), (10.0, 190.0));
        let mut frame = 0;
        let mut sizes = Vec::new();
        for step in levels {
            match step {
                Step::Windows(window, count) => {
                    sizes.push((
                        window.begin as f64 / frames_per_second(),
                        f64::from(window.fundamental[0].re),
                    ));
                    assert!(window.begin == frame || frame == 0, "{} is not {frame}", window.begin);
                    frame = window.begin + u64::from(count) * (window.end - window.begin);
                }
                Step::Input(_) => {}
            }
        }
        assert_eq!(frame, 200 * 4800);
        for (at_s, size) in &sizes {
            let expected = sizes[0].1 * if *at_s < 99.9 { 1.0 } else { 1.025 };
            let is_between = (99.79..100.0).contains(at_s);
            assert!(is_between || libm::fabs(size / expected - 1.0) < 1e-6, "{at_s} s: {size}");
        }
    }

    #[test]
    fn what_leaves_a_transient_is_sampled() {
        let text = "name = \"l\"\nduration_s = 900\n[feeder]\nkv_ll = 12.47\nfrequency_hz = 60\n\
            [[feeder.event]]\nkind = \"single_phasing\"\nat_s = 100\nphase = \"A\"\n\
            [bank]\nconnection = \"grounded_wye\"\nrated_kvar = 600\nrated_kv_ll = 12.47\n\
            [[bank.event]]\nkind = \"drops_out\"\nat_s = 300\nduration_s = 100\nphase = \"B\"\n\
            [[sensors.broken_wire]]\nchannel = \"N\"\nat_s = 600\nuntil_s = 700\npickup = 0.01\n";
        let levels = Levels::new(&Scenario::parse("l.toml", text).unwrap());
        assert_eq!(levels.seconds(), (10.0 + 5.0 * 15.0, 900.0 - 85.0));
    }
}
