//! The shipped measuring half of the firmware in this process, over a recorded signal.

use thiserror::Error;
use wyelog_firmware::meter::{Buffers, Meter};
use wyelog_firmware::outbox::Outbox;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::{Interval, Record};
use wyelog_simulator::comtrade::{self, Record as Waveforms};
use wyelog_simulator::scenario::{self, BankFile};
use wyelog_simulator::tape::{self, Tape};

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
    /// Announced samples that the record does not hold.
    pub missing_samples: u64,
    /// Bytes of the `.dat` file behind the announced samples, which are not read.
    pub bytes_behind: u64,
    /// The line frequency in Hz that the record states, if it is not the bank's.
    pub other_frequency: Option<f64>,
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
    Window(Live),
    /// An interval.
    Interval(Interval),
}

impl Source {
    /// Reads a record and the file of its bank.
    ///
    /// # Errors
    /// See [`ReplayError`].
    pub fn read(record: &std::path::Path, bank: &std::path::Path) -> Result<Self, ReplayError> {
        let bank = BankFile::read(bank)?;
        let record = Waveforms::read(record)?;
        let channels = record.bank_channels(&bank.channels)?;
        let tape = tape::from_comtrade(&record, &bank)?;
        Ok(Self {
            missing_samples: record.missing_samples,
            bytes_behind: record.bytes_behind,
            other_frequency: record.config.line_frequency_hz.filter(|hz| *hz != hz_of(tape.settings())),
            has_neutral: channels.neutral.is_some(),
            has_contact: channels.contact.is_some(),
            duration_s: frames_to_seconds(tape.frames()),
            tape,
        })
    }

    /// What the logger is told.
    pub fn settings(&self) -> &Settings {
        self.tape.settings()
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
        for input in self.tape {
            meter.input(input, &mut out);
            for live in out.live.drain(..) {
                each(Output::Window(if has_neutral { live } else { without_neutral(live) }));
            }
            for record in out.records.drain(..) {
                match record {
                    Record::Interval(interval) => each(Output::Interval(interval)),
                    Record::Event(event) if has_neutral || !event.condition.concerns_bank() => {
                        collector.event("", &settings.nameplate.name, &event);
                    }
                    _ => {}
                }
            }
        }
        collector.into_alarms()
    }
}

fn hz_of(settings: &Settings) -> f64 {
    f64::from(settings.nameplate.frequency.hz())
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
    live: Vec<Live>,
}

impl Outbox for Collected {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.push(record);
        Ok(())
    }

    fn live(&mut self, live: Live) {
        self.live.push(live);
    }
}
