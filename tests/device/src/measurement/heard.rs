//! Plays a signal to the firmware's Meter in process and keeps everything it says.

use wyelog_firmware::identify::{Identified, Measured};
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::Outbox;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record;

use super::signal::{RATE, Signal};

/// What the Meter said.
#[derive(Debug, Default)]
pub struct Heard {
    /// Every window, in order.
    pub windows: Vec<Measured>,
    /// Every record, in order.
    pub records: Vec<Record>,
}

impl Outbox for Heard {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.push(record);
        Ok(())
    }

    fn live(&mut self, _: Live) {}

    fn window(&mut self, measured: &Measured, _: Option<&Identified>) {
        self.windows.push(*measured);
    }
}

/// Plays the first `seconds` of a signal.
pub fn play(signal: &Signal, seconds: f64) -> Heard {
    let mut buffers = Box::new(Buffers::new());
    let mut meter = Meter::new(&mut buffers, &signal.settings(), 0);
    let mut heard = Heard::default();
    for input in signal.inputs(seconds) {
        meter.input(input, &mut heard);
    }
    heard
}

/// First instant of a window in s.
pub fn first_s(window: &Measured) -> f64 {
    (window.begin as f64 + f64::from(window.fraction) / 4_294_967_296.0) / RATE
}
