//! The shipped measuring half of the firmware in this process, over a recorded signal.

mod note;

use std::path::Path;

use thiserror::Error;
use wyelog_firmware::frontend::{Input, Scaling};
use wyelog_firmware::identify::{Identified, Measured};
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::Outbox;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::{BankRecord, Evidence, Interval, Operation, Record};
use wyelog_simulator::comtrade::{self, ChannelNames, Record as Waveforms};
use wyelog_simulator::scenario::{self, BankFile};
use wyelog_simulator::tape::{self, Tape};

pub use note::Note;

use crate::alarms::{Alarm, Collector};
use crate::time::frames_to_seconds;

/// Why a record cannot be replayed.
#[derive(Debug, Error)]
pub enum ReplayError {
    /// The record.
    #[error(transparent)]
    Record(#[from] comtrade::Error),
    /// The bank file.
    #[error(transparent)]
    Bank(#[from] scenario::Error),
}

/// What is to be replayed.
#[derive(Debug)]
pub struct Source {
    tape: Tape,
    /// What there is to know about the record.
    pub notes: Vec<Note>,
    /// Whether the record has a neutral current: without one nothing can be said of the bank.
    pub has_neutral: bool,
    /// Whether the record says what the bank was told.
    pub has_contact: bool,
    /// Length in s.
    pub duration_s: f64,
}

/// Something that came out of the Meter.
#[derive(Clone, Debug)]
pub enum Output {
    /// A window of 10 or 12 cycles.
    Window(Box<Window>),
    /// An interval.
    Interval(Box<Interval>),
    /// The bank's switch operated, as currents and voltages show it.
    Operation(Box<Operation>),
    /// What is known of the bank has changed.
    Bank(Box<BankRecord>),
    /// The contact input changed.
    Contact {
        /// Frames from the start of the record.
        frame: u64,
        /// Whether it says closed now.
        closed: bool,
    },
}

/// A window, as it was measured and as a logger would send it.
#[derive(Clone, Debug)]
pub struct Window {
    /// Unrounded, per unit.
    pub measured: Measured,
    /// What it says of the bank; `None` when its voltages are no evidence, or the record has no neutral current.
    pub identified: Option<Identified>,
    /// Rounded for the wire; `None` when frames of it are missing.
    pub live: Option<Live>,
}

impl Source {
    /// Reads a record and the file of its bank. Channels that `names` has go before those of the bank's file.
    ///
    /// # Errors
    /// See [`ReplayError`].
    pub fn read(record: &Path, bank: &Path, names: ChannelNames) -> Result<Self, ReplayError> {
        let bank_name = bank.display().to_string();
        let bank = BankFile::read(bank)?;
        let record = Waveforms::read(record)?;
        let channels = record.bank_channels(&names.or(&bank.channels))?;
        let signals = record.corrected_signals(&channels, &bank.corrections())?;
        let notes = note::notes(&record, &channels, &signals, &bank, &bank_name);
        let tape = tape::from_signals(signals, record.config.start_utc_ns(), &bank);
        Ok(Self {
            notes,
            has_neutral: channels.neutral.is_some(),
            has_contact: tape.settings().sensors.has_contact,
            duration_s: frames_to_seconds(tape.frames()),
            tape,
        })
    }

    /// What the logger is told.
    pub fn settings(&self) -> &Settings {
        self.tape.settings()
    }

    /// Factors of the per-unit values.
    pub fn scaling(&self) -> Scaling {
        Scaling::new(self.tape.settings())
    }

    /// Runs the Meter over it. `each` gets everything as it comes; the occurrences of conditions are returned, those
    /// that begin first first.
    ///
    /// Without a neutral current the Meter sees a neutral of zeros and would take the bank for open: what it says of
    /// the bank is left out then.
    pub fn run(self, each: &mut dyn FnMut(Output)) -> Vec<Alarm> {
        let mut buffers = Box::new(Buffers::new());
        let settings = self.tape.settings().clone();
        let mut meter = Meter::new(&mut buffers, &settings, 0);
        let mut collector = Collector::default();
        let mut out = Collected::default();
        let has_neutral = self.has_neutral;
        let mut contact = None;
        for input in self.tape {
            if let Input::Contact(closed) = input {
                if contact.is_some_and(|before| before != closed) {
                    each(Output::Contact { frame: meter.frames(), closed });
                }
                contact = Some(closed);
            }
            meter.input(input, &mut out);
            for mut window in out.windows.drain(..) {
                if !has_neutral {
                    window.identified = None;
                    window.live = window.live.map(without_neutral);
                }
                each(Output::Window(Box::new(window)));
            }
            for record in out.records.drain(..) {
                match record {
                    Record::Interval(interval) => each(Output::Interval(Box::new(interval))),
                    Record::Operation(operation) if has_neutral => {
                        each(Output::Operation(Box::new(operation)))
                    }
                    Record::Bank(bank) if has_neutral => each(Output::Bank(Box::new(bank))),
                    Record::Event(mut event) if has_neutral || !event.condition.concerns_bank() => {
                        if !has_neutral {
                            event.evidence =
                                Evidence { voltage: event.evidence.voltage, ..Evidence::default() };
                        }
                        collector.event("", &settings.nameplate.name, &event);
                    }
                    _ => {}
                }
            }
        }
        collector.into_alarms()
    }
}

/// A window with everything that rests on the neutral current taken out.
fn without_neutral(live: Live) -> Live {
    let voltage_only = Live::default();
    Live {
        neutral: voltage_only.neutral,
        neutral_fundamental: voltage_only.neutral_fundamental,
        neutral_angle: voltage_only.neutral_angle,
        residual: voltage_only.residual,
        residual_angle: voltage_only.residual_angle,
        connected: voltage_only.connected,
        ..live
    }
}

/// The Meter's results, with all the room they want.
#[derive(Debug, Default)]
struct Collected {
    records: Vec<Record>,
    windows: Vec<Window>,
}

impl Outbox for Collected {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.push(record);
        Ok(())
    }

    /// The same window has come just before.
    fn live(&mut self, live: Live) {
        if let Some(window) = self.windows.last_mut() {
            window.live = Some(live);
        }
    }

    fn window(&mut self, measured: &Measured, identified: Option<&Identified>) {
        let window = Window { measured: *measured, identified: identified.copied(), live: None };
        self.windows.push(window);
    }
}
