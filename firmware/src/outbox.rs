//! Where the Meter's results go.

mod queue;

use heapless::spsc::Producer;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record;

pub use queue::{RECORDS, RecordQueue, RecordReceiver, RecordSender};

use crate::capture::Packed;
use crate::identify::{Identified, Measured};

/// Takes what the Meter has to say. It must not wait: the Meter's next frame is 208 µs away.
pub trait Outbox {
    /// A record for the journal; given back when there is no room, and then counted as lost.
    ///
    /// # Errors
    /// The record, untouched.
    #[expect(clippy::result_large_err, reason = "nothing is allocated here: the record goes back by value")]
    fn record(&mut self, record: Record) -> Result<(), Record>;

    /// The values of the last window. Only the newest matters; dropped when there is no room.
    fn live(&mut self, live: Live);

    /// An item of a capture; false when there is no room: it comes again then. Whoever keeps no captures takes them all.
    fn sample(&mut self, _item: Packed) -> bool {
        true
    }

    /// A window as it was measured, before anything of it is rounded for the wire, and what it says of the bank. Boards have no
    /// use for it; simulations and replays do.
    fn window(&mut self, _measured: &Measured, _identified: Option<&Identified>) {}
}

/// Places in the queue of samples, one of which stays empty. In a flash erase of 400 ms (1920 frames) the queue takes what it
/// can of a capture, and the history of the measurement keeps the next 280 ms: three cycles and a half before the erase
/// began and what came since then are 2256 frames at 50 Hz.
pub const SAMPLES: usize = 1120;

/// The Meter's ends of the queues to the Keeper.
pub struct Queues<'q> {
    /// Records for the journal.
    pub records: RecordSender<'q>,
    /// The newest window.
    pub live: Producer<'q, Live>,
    /// Captures.
    pub samples: Producer<'q, Packed>,
}

impl Outbox for Queues<'_> {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.send(record)
    }

    fn live(&mut self, live: Live) {
        // The Keeper is behind: it will see the next window.
        let _ = self.live.enqueue(live);
    }

    fn sample(&mut self, item: Packed) -> bool {
        self.samples.enqueue(item).is_ok()
    }
}
