//! Where the Meter's results go.

use heapless::spsc::Producer;
use wyelog_protocol::message::Live;
use wyelog_protocol::record::Record;

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
}

/// Places in the queue of records between Meter and Keeper, one of which stays empty. In a flash erase of 400 ms two windows
/// pass, each of which can bring four records. A feeder that goes dead and comes back at each half cycle brings more: those are
/// counted as lost.
pub const RECORDS: usize = 16;

/// The Meter's ends of the two queues to the Keeper.
pub struct Queues<'q> {
    /// Records for the journal.
    pub records: Producer<'q, Record>,
    /// The newest window.
    pub live: Producer<'q, Live>,
}

impl Outbox for Queues<'_> {
    fn record(&mut self, record: Record) -> Result<(), Record> {
        self.records.enqueue(record)
    }

    fn live(&mut self, live: Live) {
        // The Keeper is behind: it will see the next window.
        let _ = self.live.enqueue(live);
    }
}
