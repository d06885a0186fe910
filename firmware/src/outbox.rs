//! Where the Meter's results go.

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
