//! Meter and Keeper in one process: for hosts, where nothing preempts anything.

use embedded_storage::nor_flash::NorFlash;
use heapless::Deque;
use wyelog_protocol::bank::Settings;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record;

use crate::capture::Packed;
use crate::frontend::Input;
use crate::journal::MountError;
use crate::keeper::{Crash, Device, Keeper, Line};
use crate::measure::window::Window;
use crate::meter::{Buffers, Meter};
use crate::outbox::{Outbox, RECORDS};
use crate::rtc::{self, NoRtc, Rtc};
use crate::tape::{self, Item, TapeError};

/// The whole logger.
#[derive(Debug)]
pub struct Logger<'b, F> {
    meter: Meter<'b>,
    keeper: Keeper<F>,
    results: Results,
}

/// What the Meter said and the Keeper has not taken yet.
#[derive(Debug, Default)]
struct Results {
    records: Deque<Record, RECORDS>,
    live: Option<Live>,
    samples: Deque<Packed, SAMPLES>,
}

/// More than come at an input.
const SAMPLES: usize = 16;

impl Outbox for Results {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.push_back(record)
    }

    fn live(&mut self, live: Live) {
        self.live = Some(live);
    }

    fn sample(&mut self, item: Packed) -> bool {
        self.samples.push_back(item).is_ok()
    }
}

impl<'b, F: NorFlash> Logger<'b, F> {
    /// Starts a logger on a flash, as after a reset.
    ///
    /// # Errors
    /// The journal could not be mounted; the logger beside the error measures and answers, but keeps nothing.
    pub fn start(
        buffers: &'b mut Buffers,
        flash: F,
        device: Device,
        settings: Settings,
        crash: Option<Crash>,
    ) -> (Self, Result<(), MountError<F::Error>>) {
        let (keeper, result) = Keeper::start(flash, device, settings.clone(), crash);
        let mut meter = Meter::new(buffers, &settings, keeper.boot());
        if let Some(baseline) = keeper.baseline() {
            meter.resume(baseline);
        }
        (Self { meter, keeper, results: Results::default() }, result)
    }

    /// Takes what has happened, and keeps what comes of it.
    pub fn input(&mut self, input: Input) {
        self.meter.input(input, &mut self.results);
        self.keep();
    }

    /// Takes `count` windows in the place of their frames, and keeps what comes of it; see [`Meter::window_level`]. They must
    /// not make more than one interval record.
    pub fn window_level(&mut self, window: &Window, count: u16) {
        self.meter.window_level(window, count, &mut self.results);
        self.keep();
    }

    fn keep(&mut self) {
        while let Some(record) = self.results.records.pop_front() {
            self.keeper.store(&record);
            self.keeper.idle();
        }
        while let Some(item) = self.results.samples.pop_front() {
            if self.keeper.sample(item) {
                self.keeper.idle();
            }
        }
        if let Some(live) = self.results.live.take() {
            self.keeper.take_live(live);
        }
    }

    /// Plays items of a tape from behind its head to its end. Returns the number of items.
    ///
    /// # Errors
    /// [`TapeError::Item`]; everything before it has been taken.
    pub fn play(&mut self, next: &mut dyn FnMut() -> Option<Item>) -> Result<u64, TapeError> {
        let mut items = 0_u64;
        while let Some(item) = next() {
            self.input(tape::decode(&item).ok_or(TapeError::Item(items))?);
            items = items.wrapping_add(1);
        }
        Ok(items)
    }

    /// Sets the clock by a battery-backed one, if that knows the time; to be called before the first input.
    pub fn start_clock(&mut self, rtc: &mut (impl Rtc + ?Sized)) {
        if let Some(input) = rtc::at_start(rtc) {
            self.input(input);
        }
    }

    /// Moves bytes between the logger and a line; see [`Keeper::serve`]. The board has no battery-backed clock.
    pub fn serve(&mut self, line: &mut impl Line) -> bool {
        self.serve_with(line, &mut NoRtc)
    }

    /// The same where the board has one.
    pub fn serve_with(&mut self, line: &mut impl Line, rtc: &mut (impl Rtc + ?Sized)) -> bool {
        let busy = self.keeper.serve(line);
        if let Some(order) = self.keeper.take_order() {
            rtc::follow(rtc, &order);
            self.input(order);
        }
        busy
    }

    /// Frames since the start.
    pub const fn frames(&self) -> u64 {
        self.meter.frames()
    }

    /// The half that keeps.
    pub const fn keeper(&self) -> &Keeper<F> {
        &self.keeper
    }

    /// Gives the flash back, as when power goes. `None` when it could not be mounted.
    pub fn into_flash(self) -> Option<F> {
        self.keeper.into_flash()
    }
}
