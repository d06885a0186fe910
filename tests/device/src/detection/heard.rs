//! Plays a record to the firmware's Meter in process and keeps what it says of the bank.

use wyelog_firmware::identify::{Identified, Measured};
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::Outbox;
use wyelog_protocol::FRAMES_PER_SECOND;
use wyelog_protocol::bank::{SensorKind, Settings};
use wyelog_protocol::message::Live;
use wyelog_protocol::record::{BaselineRecord, Basis, Event, Quality, Record};
use wyelog_simulator::levels::{Levels, Step};
use wyelog_simulator::scenario::Scenario;
use wyelog_simulator::tape;

/// What is known of the bank at some time.
#[derive(Clone, Copy, Debug)]
pub struct State {
    /// When, in s.
    pub at_s: f64,
    /// Connected capacitance of A, B, C.
    pub y: [f64; 3],
    /// Standard deviation of their differences from the common part, and of that.
    pub sigma: [f64; 2],
    /// What the common part rests on.
    pub basis: Basis,
}

impl State {
    /// Standard deviation of one of the three.
    pub fn sigma_of_one(&self) -> f64 {
        let [difference, common] = self.sigma;
        libm::sqrt(difference * difference + common * common)
    }

    /// The common part.
    pub fn common(&self) -> f64 {
        self.y.iter().sum::<f64>() / 3.0
    }
}

/// What the logger said.
#[derive(Debug, Default)]
pub struct Heard {
    /// Every change of a condition.
    pub events: Vec<Event>,
    /// What was last said of a baseline.
    pub baseline: Option<BaselineRecord>,
    /// What was known of the bank, one a window in which anything was.
    pub states: Vec<State>,
    /// End of each window in s, and fundamental and third of its neutral current together.
    neutral: Vec<(f64, f64)>,
    quality: Quality,
    /// What was last said of the bank; `None`: that it cannot be identified.
    last: Option<State>,
    keeps_states: bool,
}

/// Seconds of a frame.
pub fn seconds(frame: u64) -> f64 {
    frame as f64 / f64::from(FRAMES_PER_SECOND)
}

impl Heard {
    /// What is known at the end; `None` when it cannot be identified.
    pub fn last(&self) -> Option<&State> {
        self.last.as_ref()
    }

    /// What was known at this time.
    pub fn at(&self, at_s: f64) -> Option<&State> {
        let after = self.states.partition_point(|state| state.at_s <= at_s);
        after.checked_sub(1).and_then(|index| self.states.get(index))
    }

    /// Neutral current of the last whole window before this time, fundamental and third together, per unit of the rated one.
    pub fn neutral_at(&self, at_s: f64) -> f64 {
        let after = self.neutral.partition_point(|(end_s, _)| *end_s <= at_s);
        after.checked_sub(1).and_then(|index| self.neutral.get(index)).map_or(f64::NAN, |(_, rms)| *rms)
    }

    fn know(&mut self, at_s: f64, y: [f64; 3]) {
        let sigma = [self.quality.difference_sigma, self.quality.common_sigma];
        let sigma = sigma.map(|sigma| sigma.value_f64().unwrap_or(f64::NAN));
        let is_known = y.iter().chain(&sigma).all(|value| value.is_finite());
        self.last = is_known.then_some(State { at_s, y, sigma, basis: self.quality.common_basis });
        self.states.extend(self.last.filter(|_| self.keeps_states));
    }
}

impl Outbox for Heard {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        match record {
            Record::Event(event) => self.events.push(event),
            Record::Baseline(baseline) => self.baseline = Some(baseline),
            Record::Interval(interval) => self.quality = interval.quality,
            Record::Bank(bank) => {
                self.quality = bank.quality;
                let y = bank.connected.map(|y| y.value_f64().unwrap_or(f64::NAN));
                self.know(seconds(bank.stamp.frame), y);
            }
            _ => {}
        }
        Ok(())
    }

    fn live(&mut self, _: Live) {}

    fn window(&mut self, measured: &Measured, identified: Option<&Identified>) {
        if self.keeps_states {
            let size = measured.fundamental.as_ref().map_or(f64::NAN, |fundamental| {
                let squares = fundamental.neutral.magnitude_squared() + fundamental.third.magnitude_squared();
                libm::sqrt(f64::from(squares))
            });
            self.neutral.push((seconds(measured.end), size));
        }
        if let Some(identified) = identified {
            self.know(seconds(measured.end), identified.connected.map(f64::from));
        }
    }
}

/// The settings of the scenario's logger, which knows which sensors there are.
pub fn settings(scenario: &Scenario) -> Settings {
    let mut settings = scenario.settings();
    settings.sensors.has_contact = scenario.has_contact;
    for (sensor, present) in settings.sensors.voltage.iter_mut().zip(scenario.sensors.present) {
        if !present {
            sensor.kind = SensorKind::Absent;
        }
    }
    settings
}

/// Plays a scenario sample by sample.
pub fn play(scenario: &Scenario) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(scenario), 0);
    let mut heard = Heard { keeps_states: true, ..Heard::default() };
    for input in tape::from_scenario(scenario) {
        meter.input(input, &mut heard);
    }
    heard
}

/// At window level the logger looks at the bank once in so many s: the feeder wanders from minute to minute, and five looks are
/// what a change of a capacitance must last.
const LOOK_S: f64 = 12.0;

/// Plays a scenario window by window where nothing happens, and does not keep the states.
pub fn play_at_window_level(scenario: &Scenario) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &settings(scenario), 0);
    let mut heard = Heard::default();
    enter(&mut meter, scenario, LOOK_S, &mut heard);
    heard
}

/// Everything of a scenario into a Meter, at window level where nothing happens: so many s at once.
pub fn enter(meter: &mut Meter<'_>, scenario: &Scenario, group_s: f64, heard: &mut Heard) {
    for step in Levels::new(scenario).grouped(group_s) {
        match step {
            Step::Input(input) => meter.input(input, heard),
            Step::Windows(window, count) => meter.window_level(&window, count, heard),
        }
    }
}
