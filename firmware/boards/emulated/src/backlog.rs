//! What found the Meter's queue full, kept until there is room.

use core::mem::take;
use heapless::spsc::Producer;
use wyelog_firmware::frontend::{Input, Order};
use wyelog_firmware::tape::{Item, encode};
use wyelog_protocol::record::ClockSource;

/// Frames as their number, of clocks, contacts and orders the newest. A frame can be missed, and the Meter must know; what time
/// it is, and where the contact stands, is true until the next change.
pub struct Backlog {
    /// Frames lost, but for those of `lost_since_clock`.
    lost: u32,
    clock: Option<(u64, ClockSource)>,
    /// Frames lost after `clock` was true.
    lost_since_clock: u32,
    contact: Option<bool>,
    order: Option<Order>,
}

impl Backlog {
    /// Nothing.
    pub const fn new() -> Self {
        Self { lost: 0, clock: None, lost_since_clock: 0, contact: None, order: None }
    }

    /// Takes what found no room. It must be quick: this is where time is short.
    pub const fn add(&mut self, input: Input) {
        match input {
            Input::Frame(_) => self.lose(1),
            Input::FramesLost(count) => self.lose(count),
            Input::Clock(utc_ms, source) => {
                self.lost = self.lost.saturating_add(self.lost_since_clock);
                self.lost_since_clock = 0;
                self.clock = Some((utc_ms, source));
            }
            Input::Contact(closed) => self.contact = Some(closed),
            Input::Baseline(order) => self.order = Some(order),
        }
    }

    const fn lose(&mut self, count: u32) {
        let lost = if self.clock.is_some() { &mut self.lost_since_clock } else { &mut self.lost };
        *lost = lost.saturating_add(count);
    }

    /// Tells the Meter, when the queue is half empty: one long loss makes one record and spoils one window, many short ones
    /// make many and spoil it no less. Returns whether nothing is held back any more.
    pub fn flow(&mut self, queue: &mut Producer<'static, Item>) -> bool {
        if self.lost == 0 && self.clock.is_none() && self.contact.is_none() && self.order.is_none() {
            return true;
        }
        if queue.len() > queue.capacity() / 2 {
            return false;
        }
        while let Some(input) = self.take_first() {
            if queue.enqueue(encode(&input)).is_err() {
                defmt::error!("not reached: half the queue holds five inputs");
            }
        }
        true
    }

    /// The clock between the frames that it was set between; the contact last, for nothing is measured on lost frames.
    fn take_first(&mut self) -> Option<Input> {
        if self.lost > 0 {
            return Some(Input::FramesLost(take(&mut self.lost)));
        }
        if let Some((utc_ms, source)) = self.clock.take() {
            self.lost = take(&mut self.lost_since_clock);
            return Some(Input::Clock(utc_ms, source));
        }
        self.contact.take().map(Input::Contact).or_else(|| self.order.take().map(Input::Baseline))
    }
}
