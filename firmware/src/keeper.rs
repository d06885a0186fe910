//! The half that keeps: records into the [log](crate::log), and out of it to whoever asks over the link. It may wait, and only
//! on flash.

mod capture;
mod link;

use embedded_storage::nor_flash::NorFlash;
use wyelog_protocol::Text;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::message::{Extent, Live};
use wyelog_protocol::record::{
    BaselineRecord, CrashCause, Envelope, MAX_RECORD_BYTES, Record, Reset, SettingsRecord, Stamp, Status,
    StatusRecord,
};
use wyelog_protocol::{SCHEMA, text};

use capture::Assembly;
pub use link::Line;
use link::Link;

use crate::VERSION;
use crate::capture::Packed;
use crate::frontend::Input;
use crate::journal::{Faults, MountError};
use crate::log::Log;

/// What the logger is, apart from its settings.
#[derive(Clone, Debug)]
pub struct Device {
    /// Name of the board.
    pub board: &'static str,
    /// Serial number.
    pub serial: Text<16>,
}

/// What a firmware that stopped on an error of its own left behind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crash {
    /// What kind of error.
    pub cause: CrashCause,
    /// Where: see [`Status::Crash`].
    pub address: u32,
    /// Schema of the firmware that stopped.
    pub schema: u64,
}

/// Keeps the log and answers for it.
#[derive(Debug)]
pub struct Keeper<F> {
    /// `None` when the flash could not be read at all: the logger then measures and answers, but keeps nothing.
    log: Option<Log<F>>,
    device: Device,
    settings: Settings,
    boot: u32,
    /// Stamp of the newest record.
    stamp: Stamp,
    /// Records that the flash refused since the last one it took.
    refused: u32,
    /// Records that it refused since the start.
    refused_in_all: u32,
    /// Whether the last attempt to make the next sector ready failed: it is not tried again before the next record, or a
    /// worn-out part would be erased for ever.
    erase_failed: bool,
    /// Faults of the flash that are in the log already.
    faults: Faults,
    live: Option<Live>,
    /// The baseline: a copy of it stands at the beginning of each sector of the log's kept ring, so that it is never
    /// overwritten.
    baseline: Option<BaselineRecord>,
    /// What came over the link for the Meter.
    order: Option<Input>,
    capture: Assembly,
    link: Link,
}

impl<F: NorFlash> Keeper<F> {
    /// Mounts the journal and writes what has to be known of this start: that it happened, the crash before it if
    /// there was one, the settings.
    ///
    /// # Errors
    /// The journal could not be mounted. The Keeper beside the error works without one.
    pub fn start(
        flash: F,
        device: Device,
        settings: Settings,
        crash: Option<Crash>,
    ) -> (Self, Result<(), MountError<F::Error>>) {
        let (mut last_boot, mut baseline) = (None, None);
        // What is visited comes in no order.
        let mut newest = 0;
        let mounted = Log::mount(flash, &mut |number, bytes| {
            let Ok((envelope, _)) = Envelope::parse(bytes) else { return };
            last_boot = last_boot.max(envelope.stamp().map(|stamp| stamp.boot));
            if number >= newest
                && let Some(found) = envelope.baseline()
            {
                (newest, baseline) = (number, Some(found));
            }
        });
        let (log, torn, result) = match mounted {
            Ok((log, found)) => {
                // The newest sector's own word counts too: its boot record may lie in the sector before.
                last_boot = last_boot.max(found.epoch);
                (Some(log), found.torn, Ok(()))
            }
            Err(error) => (None, 0, Err(error)),
        };
        let boot = last_boot.map_or(1, |boot| boot.wrapping_add(1));
        let stamp = Stamp { boot, frame: 0, utc_ms: None };
        let mut keeper = Self {
            log,
            device,
            settings,
            boot,
            stamp,
            refused: 0,
            refused_in_all: 0,
            erase_failed: false,
            faults: Faults::default(),
            live: None,
            baseline,
            order: None,
            capture: Assembly::new(),
            link: Link::new(),
        };
        if let Some(log) = &mut keeper.log {
            log.set_epoch(boot);
        }
        keeper.write_start(torn, crash);
        (keeper, result)
    }

    fn write_start(&mut self, torn: u32, crash: Option<Crash>) {
        // First of all: it must not lie more than a sector back.
        if let Some(baseline) = self.standing() {
            self.keep(&baseline);
        }
        let torn_records = u8::try_from(torn).unwrap_or(u8::MAX);
        let reset = if crash.is_some() { Reset::Crash } else { Reset::Power };
        self.status(Status::Boot { firmware: text(VERSION), schema: SCHEMA, reset, torn_records });
        if let Some(Crash { cause, address, schema }) = crash {
            self.status(Status::Crash { cause, address, schema });
        }
        let settings = SettingsRecord { stamp: self.stamp, settings: self.settings.clone() };
        self.store(&Record::Settings(settings));
    }

    /// Number of this start.
    pub const fn boot(&self) -> u32 {
        self.boot
    }

    /// Which records there are.
    pub fn extent(&mut self) -> Extent {
        let extent = self.log.as_mut().map(Log::extent);
        let (oldest, next) = extent.map_or((0, 0), |extent| (extent.oldest, extent.next));
        Extent { boot: self.boot, oldest, next, refused: self.refused_in_all }
    }

    /// Puts a record into the journal; waits for the flash.
    pub fn store(&mut self, record: &Record) {
        self.stamp = *record.stamp();
        if let Record::Baseline(baseline) = record {
            self.baseline = Some(baseline.clone());
        }
        self.keep(record);
    }

    fn keep(&mut self, record: &Record) {
        self.erase_failed = false;
        if self.refused > 0 {
            let status = Status::JournalFailed { count: self.refused };
            if self.append(&Record::Status(StatusRecord { stamp: self.stamp, status })) {
                self.refused = 0;
            }
        }
        if !self.append(record) {
            self.refused = self.refused.saturating_add(1);
            self.refused_in_all = self.refused_in_all.saturating_add(1);
        }
        self.tell_faults();
    }

    /// Writes down what has gone wrong in the flash since it was last written down.
    fn tell_faults(&mut self) {
        let Some(faults) = self.log.as_ref().map(Log::faults).filter(|faults| *faults != self.faults) else {
            return;
        };
        let Faults { sectors, records, numbers } = faults;
        let status = Status::FlashFaults { sectors, records, numbers };
        // If this one meets a fault too, the next record tells of it.
        if self.append(&Record::Status(StatusRecord { stamp: self.stamp, status })) {
            self.faults = faults;
        }
    }

    /// Takes an item of a capture. Returns whether it completed a record, and that went into the journal; waits for the
    /// flash then.
    pub fn sample(&mut self, item: Packed) -> bool {
        let record = self.capture.take(item, self.boot).map(Record::Capture);
        if let Some(record) = &record {
            // What it is about is older than what has been stored meanwhile: the stamp stays.
            self.keep(record);
        }
        record.is_some()
    }

    /// Takes the newest window, for whoever asks.
    pub const fn take_live(&mut self, live: Live) {
        self.live = Some(live);
    }

    /// The baseline as it was last written: right after the start the one for [`crate::meter::Meter::resume`].
    pub fn baseline(&self) -> Option<BaselineRecord> {
        self.baseline.clone()
    }

    /// What has come over the link for the Meter since the last call: an order, or the time.
    pub const fn take_order(&mut self) -> Option<Input> {
        self.order.take()
    }

    /// Uses a quiet moment to erase a sector that the log will need next. Returns whether it did; waits for the
    /// flash then.
    pub fn idle(&mut self) -> bool {
        if self.erase_failed {
            return false;
        }
        let Some(log) = &mut self.log else { return false };
        let erased = log.prepare();
        self.erase_failed = erased.is_err();
        erased.unwrap_or(true)
    }

    /// Moves bytes between the link and `line`, as many as it takes without waiting, and at most one packet each way.
    /// Returns whether there was anything to do.
    pub fn serve(&mut self, line: &mut impl Line) -> bool {
        link::serve(self, line)
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> Option<F> {
        self.log.map(Log::into_flash)
    }

    /// The flash.
    pub fn flash(&self) -> Option<&F> {
        self.log.as_ref().map(Log::flash)
    }

    fn status(&mut self, status: Status) {
        self.store(&Record::Status(StatusRecord { stamp: self.stamp, status }));
    }

    fn append(&mut self, record: &Record) -> bool {
        let mut bytes = [0; MAX_RECORD_BYTES];
        let Some(bytes) = record.encode(&mut bytes) else { return false };
        if self.log.as_ref().is_some_and(|log| log.opens_kept(bytes))
            && let Some(baseline) = self.standing()
        {
            // If it fails, the record behind it does as well, and that is counted.
            self.write(baseline.encode(&mut [0; MAX_RECORD_BYTES]).unwrap_or_default());
        }
        self.write(bytes)
    }

    /// The baseline, as of now.
    fn standing(&mut self) -> Option<Record> {
        let baseline = self.baseline.as_mut()?;
        baseline.stamp = self.stamp;
        Some(Record::Baseline(baseline.clone()))
    }

    fn write(&mut self, bytes: &[u8]) -> bool {
        self.log.as_mut().is_some_and(|log| log.append(bytes).is_ok())
    }
}
