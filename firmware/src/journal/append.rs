//! Writing: records, headers, and the erase of the sector ahead.

use super::layout::{self, CHUNK_SIZE, HEADER_SIZE, Header, MAX_SLOT};
use super::search::to_usize;
use super::{AppendError, FlashFault, Journal, MAX_SKIPPED_SECTORS};
use embedded_storage::nor_flash::NorFlash;

impl<F: NorFlash> Journal<F> {
    /// Appends a record of 1 to [`MAX_PAYLOAD`](super::MAX_PAYLOAD) bytes and returns its number. When this returns,
    /// the record is in the flash and has been read back.
    ///
    /// One program and one or more reads; where a sector begins, one more of each. Erases only if that sector was
    /// not made ready by [`Journal::prepare`].
    ///
    /// # Errors
    /// After [`AppendError::Flash`] the record may still turn up, unacknowledged, after the next mount, as after a
    /// power cut; its number is never used again.
    pub fn append(&mut self, payload: &[u8]) -> Result<u32, AppendError<F::Error>> {
        let Some(slot) = self.ring.geometry.slot(payload.len()) else {
            return Err(AppendError::Length(payload.len()));
        };
        let mut fault = FlashFault::Mismatch;
        for _ in 0..=MAX_SKIPPED_SECTORS {
            if self.ring.next == u32::MAX {
                return Err(AppendError::Exhausted);
            }
            if !self.ring.fits(slot) {
                self.open_next()?;
            }
            match self.write_record(payload, slot) {
                Ok(()) => {
                    let sequence = self.ring.next;
                    self.ring.tail = self.ring.tail.saturating_add(slot);
                    self.ring.next = self.ring.next.saturating_add(1);
                    return Ok(sequence);
                }
                Err(error) => {
                    fault = error;
                    self.close_behind_failure();
                }
            }
        }
        Err(AppendError::Flash(fault))
    }

    /// Erases the sector that comes next, unless that has been done; true if it erased. It holds the oldest records:
    /// they go now. To be called outside of [`Journal::append`], whenever there is time (45–400 ms).
    ///
    /// # Errors
    /// As [`Journal::append`]. Nothing is lost by it but the oldest records.
    pub fn prepare(&mut self) -> Result<bool, AppendError<F::Error>> {
        if self.ring.prepared.is_some() {
            return Ok(false);
        }
        let mut fault = AppendError::Exhausted;
        for sector in self.candidates() {
            match self.erase(sector) {
                Ok(()) => return Ok(true),
                Err(error) => fault = AppendError::Flash(error),
            }
        }
        Err(fault)
    }

    /// The sectors that may come next: the one behind the newest, and a few in case it is worn out. Always the same
    /// ones until one is opened, so that a driver that fails for a while does not eat the log.
    pub(super) fn candidates(&self) -> core::ops::Range<u32> {
        let first = self.ring.newest.map_or(0, |newest| newest.saturating_add(1));
        let spare = u32::from(self.ring.geometry.sectors).saturating_sub(2);
        first..first.saturating_add(spare.min(MAX_SKIPPED_SECTORS))
    }

    /// Begins the next sector. There is no way back to the one before, and where a header was tried in vain it is tried
    /// again first: it may come true later, and must not lie ahead of a sector that has got records meanwhile.
    fn open_next(&mut self) -> Result<(), AppendError<F::Error>> {
        self.ring.tail = self.ring.geometry.sector_size;
        let mut fault = AppendError::Exhausted;
        let ready = self.ring.prepared.take();
        let candidates = self.candidates();
        let first = self.ring.spoiled.unwrap_or(candidates.start);
        for sector in (first..candidates.end).chain(candidates.start..first) {
            let erased = match ready {
                Some(ready) if sector < ready => continue,
                Some(ready) if sector == ready => Ok(()),
                _ => self.erase(sector),
            };
            match erased.and_then(|()| self.write_header(sector)) {
                Ok(()) => return Ok(()),
                Err(error) => fault = AppendError::Flash(error),
            }
        }
        Err(fault)
    }

    /// Erases `sector` and makes it the prepared one.
    fn erase(&mut self, sector: u32) -> Result<(), FlashFault<F::Error>> {
        self.retire(sector).map_err(FlashFault::Driver)?;
        let from = self.address(sector, 0);
        let to = from.saturating_add(self.ring.geometry.sector_size);
        let erased = self
            .flash
            .erase(from, to)
            .map_err(FlashFault::Driver)
            .and_then(|()| self.compare_blank(from, to));
        match erased {
            Ok(()) => self.ring.prepared = Some(sector),
            Err(_) => self.faults.sectors = self.faults.sectors.saturating_add(1),
        }
        erased
    }

    /// Drops from the log what lies where `sector` is going to be.
    fn retire(&mut self, sector: u32) -> Result<(), F::Error> {
        let lowest = self.lowest_behind(sector);
        let Some(newest) = self.ring.newest.filter(|_| self.ring.oldest_sector < lowest) else {
            return Ok(());
        };
        let oldest = self.first_valid(lowest, newest, self.ring.next)?;
        let (sequence, first) =
            oldest.map_or((lowest, self.ring.oldest), |header| (header.sequence, header.first));
        self.ring.oldest_sector = sequence;
        self.ring.oldest = self.ring.oldest.max(first);
        Ok(())
    }

    fn compare_blank(&mut self, from: u32, to: u32) -> Result<(), FlashFault<F::Error>> {
        let ones = [0xFF; layout::CHUNK];
        let mut at = from;
        while at < to {
            let length = to_usize(to.saturating_sub(at)).min(ones.len());
            self.compare(at, ones.get(..length).unwrap_or_default())?;
            at = at.saturating_add(CHUNK_SIZE);
        }
        Ok(())
    }

    /// Opens an erased sector.
    fn write_header(&mut self, sector: u32) -> Result<(), FlashFault<F::Error>> {
        self.ring.prepared = None;
        let header = Header { sequence: sector, first: self.ring.next, epoch: self.epoch };
        let bytes = layout::encode_header(&header, &self.ring.geometry);
        if let Err(error) = self.program(self.address(sector, 0), &bytes) {
            self.faults.sectors = self.faults.sectors.saturating_add(1);
            self.ring.spoiled = Some(sector);
            return Err(error);
        }
        self.ring.spoiled = None;
        if self.ring.newest.is_none() {
            self.ring.oldest_sector = sector;
            self.ring.oldest = self.ring.next;
        }
        self.ring.newest = Some(sector);
        self.ring.tail = HEADER_SIZE;
        Ok(())
    }

    fn write_record(&mut self, payload: &[u8], slot: u32) -> Result<(), FlashFault<F::Error>> {
        let Some(sector) = self.ring.newest else { return Err(FlashFault::Mismatch) };
        let mut record = [0xFF; MAX_SLOT];
        // The length was checked; a refusal here would be a fault of ours.
        layout::encode_record(&mut record, payload, self.ring.next).ok_or(FlashFault::Mismatch)?;
        let bytes = record.get(..to_usize(slot)).ok_or(FlashFault::Mismatch)?;
        self.program(self.address(sector, self.ring.tail), bytes)
    }

    /// Programs and reads back. A driver that complains although every bit is right is not believed: the record is
    /// there, and writing it again would make two of it.
    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault<F::Error>> {
        let programmed = self.flash.write(address, bytes).map_err(FlashFault::Driver);
        match self.compare(address, bytes) {
            Ok(()) => Ok(()),
            Err(found) => programmed.and(Err(found)),
        }
    }

    /// Closes the newest sector behind a record that could not be written, and gives up its number if a bit of it
    /// may be in the flash.
    fn close_behind_failure(&mut self) {
        let numbers =
            self.ring.newest.map_or(Ok(0), |sector| self.numbers_at(sector, self.ring.tail)).unwrap_or(1);
        self.ring.next = self.ring.next.saturating_add(numbers);
        self.ring.tail = self.ring.geometry.sector_size;
        self.faults.records = self.faults.records.saturating_add(1);
        if self.ring.geometry.counts() {
            self.faults.numbers = self.faults.numbers.saturating_add(numbers);
        }
    }
}
