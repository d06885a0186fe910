//! Finding sound records in one sector.

use super::layout::{self, CHUNK, CHUNK_SIZE, MAX_SLOT, RECORD_HEADER};
use super::{FlashFault, Journal};
use embedded_storage::nor_flash::NorFlash;

/// Where records may lie: in `sector`, before offset `limit`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Area {
    pub sector: u32,
    pub limit: u32,
}

/// A sound record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Found {
    pub offset: u32,
    pub slot: u32,
    pub sequence: u32,
    pub length: usize,
}

impl<F: NorFlash> Journal<F> {
    /// The record at `offset`, if it is sound under a number of `from..=to`; its payload goes into `out` as far as
    /// it fits. One flash read, two for a long record.
    pub(super) fn verify(
        &mut self,
        area: Area,
        offset: u32,
        (from, to): (u32, u32),
        out: &mut [u8],
    ) -> Result<Option<Found>, F::Error> {
        let room = area.limit.saturating_sub(offset);
        let mut record = [0xFF; MAX_SLOT];
        let Some((chunk, rest)) = record.split_at_mut_checked(CHUNK) else { return Ok(None) };
        let Some(chunk) = chunk.get_mut(..CHUNK.min(to_usize(room))) else { return Ok(None) };
        self.read_cells(area.sector, offset, chunk)?;
        let Some(length) = layout::length_at(chunk, 0) else { return Ok(None) };
        let Some(slot) = self.ring.geometry.slot(length).filter(|&slot| slot <= room) else {
            return Ok(None);
        };
        if let Some(more) =
            rest.get_mut(..to_usize(slot.saturating_sub(CHUNK_SIZE))).filter(|more| !more.is_empty())
        {
            self.read_cells(area.sector, offset.saturating_add(CHUNK_SIZE), more)?;
        }
        let Some(sequence) = layout::record_sequence(&record, length, from, to) else { return Ok(None) };
        layout::put(
            out,
            0,
            record.get(RECORD_HEADER..).and_then(|tail| tail.get(..length)).unwrap_or_default(),
        );
        Ok(Some(Found { offset, slot, sequence, length }))
    }

    /// The next sound record behind the damage at `offset`, where number `expected` should be; its own number is
    /// below `last`. First where the damaged record's length leads, then at every granule.
    pub(super) fn search(
        &mut self,
        area: Area,
        offset: u32,
        expected: u32,
        last: u32,
    ) -> Result<Option<Found>, F::Error> {
        let after = expected.saturating_add(1);
        if after >= last {
            return Ok(None);
        }
        if let Some(slot) = self.slot_at(area, offset)? {
            let hint = offset.saturating_add(slot);
            if let Some(found) = self.verify(area, hint, (after, after), &mut [])? {
                return Ok(Some(found));
            }
        }
        let smallest = self.ring.geometry.smallest_slot();
        // Windows overlap by a granule, so that no word is cut.
        let step = CHUNK.saturating_sub(8);
        let mut start = offset.saturating_add(smallest);
        while start.saturating_add(smallest) <= area.limit {
            let mut window = [0xFF; CHUNK];
            let room = to_usize(area.limit.saturating_sub(start));
            let Some(part) = window.get_mut(..CHUNK.min(room)) else { break };
            self.read_cells(area.sector, start, part)?;
            let mut from = 0;
            while let Some(at) = layout::next_candidate(&window, from, step, self.ring.geometry.granule) {
                let candidate = start.saturating_add(to_u32(at));
                // So many records fit in between, at most.
                let between = candidate.saturating_sub(offset).checked_div(smallest).unwrap_or(0);
                let bound = expected.saturating_add(between);
                let to = bound.min(last.saturating_sub(1));
                if let Some(found) = self.verify(area, candidate, (after, to), &mut [])? {
                    return Ok(Some(found));
                }
                from = at.saturating_add(usize::from(self.ring.geometry.granule));
            }
            start = start.saturating_add(to_u32(step));
        }
        Ok(None)
    }

    /// How many numbers the cells from `offset` to the sector's end may carry half written: 0 if they are blank.
    pub(super) fn numbers_at(&mut self, sector: u32, offset: u32) -> Result<u32, F::Error> {
        let area = Area { sector, limit: self.ring.geometry.sector_size };
        let smallest = self.ring.geometry.smallest_slot();
        if area.limit.saturating_sub(offset) < smallest {
            return Ok(0);
        }
        // A torn record nearly always has its length, and counts as one. Where even that is lost, the most records
        // are assumed that can be: rather a gap too wide than a number used twice.
        let (mut numbers, mut start) = match self.slot_at(area, offset)? {
            Some(slot) => (1_u32, offset.saturating_add(slot)),
            None => (0, offset),
        };
        let size = to_usize(smallest);
        let whole = CHUNK.checked_div(size).unwrap_or(1).saturating_mul(size);
        while start < area.limit {
            let mut window = [0xFF; CHUNK];
            let room = to_usize(area.limit.saturating_sub(start));
            let Some(part) = window.get_mut(..whole.min(room)) else { break };
            self.read_cells(sector, start, part)?;
            numbers = numbers.saturating_add(to_u32(layout::pieces_written(part, size)));
            start = start.saturating_add(to_u32(whole));
        }
        Ok(numbers)
    }

    /// Length in flash of whatever record seems to start at `offset`.
    fn slot_at(&mut self, area: Area, offset: u32) -> Result<Option<u32>, F::Error> {
        let room = area.limit.saturating_sub(offset);
        if room < self.ring.geometry.smallest_slot() {
            return Ok(None);
        }
        let mut head = [0xFF; 8];
        let Some(part) = head.get_mut(..to_usize(self.ring.geometry.word_read())) else { return Ok(None) };
        self.read_cells(area.sector, offset, part)?;
        Ok(layout::probable_length(&head)
            .and_then(|length| self.ring.geometry.slot(length))
            .filter(|&slot| slot <= room))
    }

    /// Reads back what should be `bytes`.
    pub(super) fn compare(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault<F::Error>> {
        let mut at = address;
        for piece in bytes.chunks(CHUNK) {
            let mut window = [0; CHUNK];
            let Some(part) = window.get_mut(..piece.len()) else { return Err(FlashFault::Mismatch) };
            self.flash.read(at, part).map_err(FlashFault::Driver)?;
            if part != piece {
                return Err(FlashFault::Mismatch);
            }
            at = at.saturating_add(CHUNK_SIZE);
        }
        Ok(())
    }
}

pub(super) fn to_usize(value: u32) -> usize {
    usize::try_from(value).unwrap_or(usize::MAX)
}

fn to_u32(value: usize) -> u32 {
    u32::try_from(value).unwrap_or(u32::MAX)
}
