//! Records from the Meter's interrupt to the Keeper, in their order.

use heapless::spsc::{Consumer, Producer, Queue};
use wyelog_protocol::record::{
    BankRecord, BaselineRecord, Event, Interval, Operation, Record, Spectrum, StatusRecord,
};

/// Places in the queue of records, one of which stays empty. In a flash erase of 400 ms two windows pass, each of which can
/// bring four records. A feeder that goes dead and comes back at each half cycle brings more: those are counted as lost.
pub const RECORDS: usize = 16;

/// A record in the room that most of them need.
#[derive(Debug)]
enum Entry {
    Interval(Interval),
    Event(Event),
    Status(StatusRecord),
    Operation(Operation),
    Bank(BankRecord),
    Baseline(BaselineRecord),
    /// The next one of the other queue: it is three times as long, and there is one in ten minutes.
    Spectrum,
}

/// The queue's memory.
pub struct RecordQueue {
    entries: Queue<Entry, RECORDS>,
    spectra: Queue<Spectrum, 2>,
}

impl Default for RecordQueue {
    fn default() -> Self {
        Self::new()
    }
}

impl RecordQueue {
    /// Empty.
    pub const fn new() -> Self {
        Self { entries: Queue::new(), spectra: Queue::new() }
    }

    /// Its two ends.
    pub fn split(&mut self) -> (RecordSender<'_>, RecordReceiver<'_>) {
        let (entries_in, entries) = self.entries.split();
        let (spectra_in, spectra) = self.spectra.split();
        let sender = RecordSender { entries: entries_in, spectra: spectra_in };
        (sender, RecordReceiver { entries, spectra })
    }
}

/// The Meter's end.
pub struct RecordSender<'q> {
    entries: Producer<'q, Entry>,
    spectra: Producer<'q, Spectrum>,
}

impl RecordSender<'_> {
    /// Sends a record.
    ///
    /// # Errors
    /// The record, untouched: there is no room, or it is of a kind that the Keeper itself makes.
    #[expect(clippy::result_large_err, reason = "nothing is allocated here: the record goes back by value")]
    pub fn send(&mut self, record: Record) -> Result<(), Record> {
        if !self.entries.ready() {
            return Err(record);
        }
        let entry = match record {
            Record::Interval(interval) => Entry::Interval(interval),
            Record::Event(event) => Entry::Event(event),
            Record::Status(status) => Entry::Status(status),
            Record::Operation(operation) => Entry::Operation(operation),
            Record::Bank(bank) => Entry::Bank(bank),
            Record::Baseline(baseline) => Entry::Baseline(baseline),
            Record::Spectrum(spectrum) => {
                self.spectra.enqueue(spectrum).map_err(Record::Spectrum)?;
                Entry::Spectrum
            }
            other => return Err(other),
        };
        // There is room.
        let _ = self.entries.enqueue(entry);
        Ok(())
    }
}

/// The Keeper's end.
pub struct RecordReceiver<'q> {
    entries: Consumer<'q, Entry>,
    spectra: Consumer<'q, Spectrum>,
}

impl RecordReceiver<'_> {
    /// The next record.
    pub fn receive(&mut self) -> Option<Record> {
        match self.entries.dequeue()? {
            Entry::Interval(interval) => Some(Record::Interval(interval)),
            Entry::Event(event) => Some(Record::Event(event)),
            Entry::Status(status) => Some(Record::Status(status)),
            Entry::Operation(operation) => Some(Record::Operation(operation)),
            Entry::Bank(bank) => Some(Record::Bank(bank)),
            Entry::Baseline(baseline) => Some(Record::Baseline(baseline)),
            Entry::Spectrum => self.spectra.dequeue().map(Record::Spectrum),
        }
    }

    /// Whether one waits.
    pub fn ready(&self) -> bool {
        self.entries.ready()
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use crate::clock::Clock;
    use crate::identify::Identifier;
    use crate::measure::window::Window;
    use crate::spectrum::Spectra;
    use crate::testing::settings;
    use wyelog_protocol::record::{Stamp, Status};

    fn spectrum() -> Record {
        let measured = Identifier::new(crate::frontend::Scaling::new(&settings()), 12)
            .measure(&Window::of_zeros(600 * 4800, 601 * 4800));
        Record::Spectrum(Spectra::new(&Clock::new(0)).window(&measured, &Clock::new(0)).unwrap())
    }

    fn status(count: u32) -> Record {
        let stamp = Stamp::default();
        Record::Status(StatusRecord { stamp, status: Status::FramesLost { count } })
    }

    #[test]
    fn records_keep_their_order_and_come_back_when_there_is_no_room() {
        let mut queue = RecordQueue::new();
        let (mut sender, mut receiver) = queue.split();
        assert_eq!(sender.send(status(1)), Ok(()));
        assert_eq!(sender.send(spectrum()), Ok(()));
        assert_eq!(sender.send(spectrum()), Err(spectrum()));
        for count in 2..15 {
            assert_eq!(sender.send(status(count)), Ok(()));
        }
        assert_eq!(sender.send(status(99)), Err(status(99)));
        assert!(receiver.ready());
        assert_eq!(receiver.receive(), Some(status(1)));
        assert_eq!(receiver.receive(), Some(spectrum()));
        for count in 2..15 {
            assert_eq!(receiver.receive(), Some(status(count)));
        }
        assert_eq!(receiver.receive(), None);
    }
}
