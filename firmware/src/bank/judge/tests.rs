//! The judge, window by window: what the design demands of it, not how it gets there.
extern crate std;

mod capacitance;
mod numbers;
mod settings;
mod switching;
mod voltages;

use std::vec::Vec;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::cause::Cause;
use wyelog_protocol::condition::Condition;

use super::*;
use crate::bank::finding::Findings;
use crate::testing;

/// Frames of a window.
const WINDOW: u64 = 960;

/// A judge with a feeder and a bank before it.
struct Bench {
    judge: Judge,
    /// Frame of the next window.
    now: u64,
    /// What the feeder has, and what it shows.
    voltage: [Phasor; 3],
    third: f32,
    /// What the sensors show instead, where they lie.
    shown: [Option<Phasor>; 3],
    /// Share of the neutral current that the sensor sees.
    neutral: f32,
    burst: Option<Burst>,
    last: Option<Look>,
    operations: Vec<Seen>,
}

impl Bench {
    /// With node 675's kind of unbalance (u2 and u0 of 1.2 %) and a third of 1 %.
    fn new(settings: &Settings) -> Self {
        Self {
            judge: Judge::new(settings),
            now: 0,
            voltage: testing::voltages(1.01, (0.012, 40.0), (0.012, -75.0)),
            third: 0.01,
            shown: [None; 3],
            neutral: 1.0,
            burst: None,
            last: None,
            operations: Vec::new(),
        }
    }

    /// The usual bank, told to be closed, healthy for 15 s.
    fn healthy(settings: &Settings) -> Self {
        let mut bench = Self::new(settings);
        bench.judge.told(true, 0);
        bench.run(15.0, [1.02, 1.05, 1.03]);
        bench
    }

    /// A healthy bank as far as it goes.
    const Y: [f32; 3] = [1.02, 1.05, 1.03];

    /// So many seconds of a bank with these `y`.
    fn run(&mut self, seconds: f64, y: [f32; 3]) {
        for _ in 0..(seconds * 5.0).round() as u32 {
            self.window(y, false);
        }
    }

    fn circumstances(&self, in_doubt: bool) -> Circumstances {
        Circumstances { now: self.now + 120, rotation: Rotation::Abc, in_doubt, burst: self.burst }
    }

    fn window(&mut self, y: [f32; 3], in_doubt: bool) -> Judged {
        let mut look = testing::look(self.voltage, y, self.third);
        for (shown, instead) in look.shown.iter_mut().zip(self.shown) {
            *shown = instead.unwrap_or(*shown);
        }
        look.voltage = look.shown;
        (look.neutral, look.third) = (look.neutral.scale(self.neutral), look.third.scale(self.neutral));
        look.overtones = look.third.magnitude();
        (look.begin, look.end) = (self.now, self.now + WINDOW);
        self.now += WINDOW;
        let circumstances = self.circumstances(in_doubt);
        let judged = self.judge.window(&look, &circumstances);
        self.took(&judged);
        self.last = Some(look);
        judged
    }

    /// So many seconds of a dead feeder.
    fn dead(&mut self, seconds: f64, charged: bool) {
        for _ in 0..(seconds * 5.0).round() as u32 {
            self.now += WINDOW;
            let circumstances = self.circumstances(false);
            let judged = self.judge.dead(self.now - WINDOW, charged, &circumstances);
            self.took(&judged);
        }
        self.last = None;
    }

    fn took(&mut self, judged: &Judged) {
        self.operations.extend(judged.operation);
        if judged.burst_done {
            self.burst = None;
        }
    }

    /// From here on the bank is another one: poles or a fuse cleared, so there is a burst in the next window.
    fn strikes(&mut self, y: [f32; 3]) {
        self.burst(Burst { peak: 1.4, ..Burst::default() }, y);
    }

    fn burst(&mut self, burst: Burst, y: [f32; 3]) {
        self.burst = Some(Burst { begin: self.now + 300, end: self.now + 340, ..burst });
        // Half of the window is of the one before: its phasors are between the two.
        self.window(y.map(|y| 0.5 * (y + 1.0)), false);
    }

    fn findings(&self) -> Findings {
        self.judge.findings(self.last.as_ref(), self.now + 120)
    }

    /// Conditions and phases that are there now.
    fn found(&self) -> Vec<(Condition, u8)> {
        self.findings().iter().map(|finding| (finding.condition, finding.phases.bits())).collect()
    }

    fn only(&self, condition: Condition, phases: u8) -> crate::bank::finding::Finding {
        assert_eq!(self.found(), [(condition, phases)]);
        self.findings()[0]
    }
}

/// The bank of the shared settings with these sensors.
fn located(location: Location) -> Settings {
    let mut settings = testing::settings();
    for sensor in &mut settings.sensors.voltage {
        sensor.location = location;
    }
    settings
}

fn units(count: u8) -> Settings {
    let mut settings = testing::settings();
    settings.nameplate.units_per_phase = count;
    settings
}

/// These `y` with phase `phase` at another.
fn with(mut y: [f32; 3], phase: usize, value: f32) -> [f32; 3] {
    y[phase] = value;
    y
}
