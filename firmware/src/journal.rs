//! The flash log: a ring of sectors in NOR flash that keeps every acknowledged record through any power cut.
//!
//! # Bytes
//!
//! All integers are little-endian. A flash is a row of equal sectors (the part's erase size, 1 KiB at least). A granule
//! is the larger of the part's read and write sizes (1, 2, 4 or 8 bytes); everything starts at a multiple of it.
//!
//! ```text
//! sector   0        24                                                                sector size
//!          | header | record | record | … | record | FF FF … (never written)         |
//!
//! header   0      4         5         6         8                 12             16      20       24
//!          | magic | version | granule | sectors | sector sequence | first record | epoch | CRC-32 |
//!            WyJ\n   01        u8        u16       u32               u32            u32     of 0..20
//!
//! record   0      2        6           6 + n
//!          | word | CRC-32 | n payload | FF up to a granule |
//!
//! word     bits 0..9: n − 1 (n is 1..=512); bits 9..16: CRC-7 of those nine bits (x⁷+x⁶+x²+1, most significant bit
//!          first, start 0), exclusive-or 2A hex
//! CRC-32   CRC-32/ISO-HDLC; a record's covers word (2 bytes), payload, record sequence (4 bytes, not stored)
//! ```
//!
//! - Records are numbered from 0 on, without end; the number is not stored but covered by the CRC. A sector's records
//!   follow each other from its header's first one on. No record spans two sectors.
//! - Sectors are numbered too, and sector `q` always lies at place `q mod sectors`. What does not is not ours.
//! - `epoch` is a word of the owner (the boot number), as it was when the sector was opened.
//! - A later version keeps the 24 bytes of the header, so that this one can tell it from garbage.
//!
//! # Rules
//!
//! 1. A header is written only into a sector whose erase was seen to end, and read back as ones, since the last mount.
//!    A sector without a valid header is garbage, whatever it looks like: an interrupted erase can look blank and not
//!    hold. So the sector that was erased ahead is erased again after a mount.
//! 2. Nothing is written behind a tail that is not blank: the sector is closed, the log goes on in the next one, and
//!    the numbers that the tail may have carried are given up (one for a torn record; they show as a gap).
//!    The sector is closed, too, if the next one's header is garbage: an opening that was cut may come true later.
//! 3. A record is acknowledged after it has been read back. A sector that fails to erase, program or read back is left,
//!    and the next is tried, up to [`MAX_SKIPPED_SECTORS`].
//! 4. A damaged record costs itself only. Its length is a hint; if it leads nowhere, the rest of the sector is searched
//!    for a record whose CRC fits one of the numbers that can be there. The word's 16 bits have Hamming distance four:
//!    up to three flipped bits are noticed, one is seen through, and FFFF and 0000 are no words.
//! 5. A header with one flipped bit is repaired on reading: losing a sector, or reusing the newest one's numbers, for
//!    one bit is too dear. With 192 bits under a CRC-32 the repair is unique.
//!
//! # Limits
//!
//! RAM: a few words, whatever the size of the part, and about 1.5 KiB of stack. Time: a mount reads each header once
//! and the newest sector; [`Journal::read`] finds its place by binary search over the headers, then along one sector.
//! Loss is a number: gaps, overwritten records and faults are counted, and the owner writes them down. Two bits flipped in one
//! header lose that sector; in the newest one's, its numbers as well. Cells that a cut left marginal, but that read as
//! untouched at the mount, are taken for untouched.
//!
//! A ring keeps the newest records of all kinds alike: [`crate::log`] makes two of a flash, for a retention by kind.

mod append;
mod layout;
mod mount;
mod read;
mod search;
#[cfg(test)]
pub(crate) mod tests;

use embedded_storage::nor_flash::NorFlash;
use layout::{Geometry, Header};
pub use layout::{GeometryFault, MAX_PAYLOAD, MAX_SECTORS, MIN_SECTOR_SIZE, MIN_SECTORS};
pub use mount::{MountError, MountReport};
pub use read::{Cursor, Read, ReadError};

/// How many sectors in a row may fail before an append gives up.
pub const MAX_SKIPPED_SECTORS: u32 = 8;

/// A ring log in the flash `F`, which it owns. `F` may be a `&mut` reference.
#[derive(Clone, Debug)]
pub struct Journal<F> {
    flash: F,
    ring: Ring,
    epoch: u32,
    faults: Faults,
}

/// Where a ring of sectors lies in a flash, and how far it is.
#[derive(Clone, Debug)]
pub(crate) struct Ring {
    geometry: Geometry,
    /// Sequence of the sector that takes records, if there is any sector.
    newest: Option<u32>,
    /// Where in it the next record goes; the sector's size if it is closed.
    tail: u32,
    /// Number of the next record.
    next: u32,
    /// The oldest sector that still counts, and its first record.
    oldest_sector: u32,
    oldest: u32,
    /// A sector known to be erased, by its future sequence.
    prepared: Option<u32>,
    /// The last sector whose header was tried in vain since one was opened.
    spoiled: Option<u32>,
}

impl Ring {
    /// Not mounted yet.
    pub(crate) const fn new(geometry: Geometry) -> Self {
        Self {
            geometry,
            newest: None,
            tail: geometry.sector_size,
            next: 0,
            oldest_sector: 0,
            oldest: 0,
            prepared: None,
            spoiled: None,
        }
    }

    /// Makes this ring the smaller one of two in its place, and gives the other, which comes first.
    ///
    /// # Errors
    /// Too few sectors.
    pub(crate) fn split(&mut self) -> Result<Self, GeometryFault> {
        self.geometry.split().map(Self::new)
    }

    #[cfg(test)]
    pub(crate) const fn sectors(&self) -> usize {
        self.geometry.sectors as usize
    }

    /// Whether no sector is ready to be opened next.
    pub(crate) const fn needs_prepare(&self) -> bool {
        self.prepared.is_none()
    }

    /// Gives up all numbers below `next` that have not been used.
    pub(crate) const fn skip_to(&mut self, next: u32) {
        if next > self.next {
            self.next = next;
            // The numbers of a sector follow each other.
            self.tail = self.geometry.sector_size;
            if self.newest.is_none() {
                self.oldest = next;
            }
        }
    }

    /// True if a record of `length` bytes would be the first of a sector.
    pub(crate) fn opens_sector(&self, length: usize) -> bool {
        self.geometry.slot(length).is_none_or(|slot| !self.fits(slot))
    }

    fn fits(&self, slot: u32) -> bool {
        self.newest.is_some() && slot <= self.geometry.sector_size.saturating_sub(self.tail)
    }
}

/// Which records the log holds: `oldest..next`, gaps included. Empty if both are equal.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Extent {
    /// First record that has not been overwritten.
    pub oldest: u32,
    /// Number that the next record will get.
    pub next: u32,
}

/// What went wrong in the flash since the mount. Counts saturate.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Faults {
    /// Sectors left because an erase or a header failed.
    pub sectors: u32,
    /// Sectors closed early because a record could not be written.
    pub records: u32,
    /// Record numbers given up since they may have been half written.
    pub numbers: u32,
}

/// Why the flash did not do what it was asked to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum FlashFault<E> {
    /// The driver says so.
    Driver(E),
    /// The driver reported success, but other bits were read back: worn out.
    Mismatch,
}

/// Why a record was not appended. The log is as good as before; it may be tried again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum AppendError<E> {
    /// The payload is empty or longer than [`MAX_PAYLOAD`]; its length is given.
    Length(usize),
    /// All record or sector numbers are used up: more than four thousand million.
    Exhausted,
    /// [`MAX_SKIPPED_SECTORS`] sectors in a row failed; this is the last fault.
    Flash(FlashFault<E>),
}

impl<F: NorFlash> Journal<F> {
    /// Which records there are.
    pub const fn extent(&self) -> Extent {
        Extent { oldest: self.ring.oldest, next: self.ring.next }
    }

    /// What has gone wrong in the flash since the mount.
    pub const fn faults(&self) -> Faults {
        self.faults
    }

    /// Sets the owner's word that headers carry from now on (the boot number).
    pub const fn set_epoch(&mut self, epoch: u32) {
        self.epoch = epoch;
    }

    /// True if [`Journal::prepare`] would erase a sector.
    pub const fn needs_prepare(&self) -> bool {
        self.ring.needs_prepare()
    }

    /// True if a record of `length` bytes would be the first of a sector. (A record that others refer to belongs
    /// there.)
    pub fn opens_sector(&self, length: usize) -> bool {
        self.ring.opens_sector(length)
    }

    /// The part of the flash it works on. Whoever puts another one there works on that.
    pub(crate) const fn ring_mut(&mut self) -> &mut Ring {
        &mut self.ring
    }

    /// The flash.
    pub const fn flash(&self) -> &F {
        &self.flash
    }

    /// The flash, for counters and settings of a driver. Whoever writes through it destroys the log.
    pub const fn flash_mut(&mut self) -> &mut F {
        &mut self.flash
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.flash
    }

    /// Address of byte `offset` of sector `sector`.
    #[inline(never)]
    fn address(&self, sector: u32, offset: u32) -> u32 {
        self.ring.geometry.address(sector).saturating_add(offset)
    }

    /// Reads from byte `offset` of sector `sector` on.
    #[inline(never)]
    fn read_cells(&mut self, sector: u32, offset: u32, bytes: &mut [u8]) -> Result<(), F::Error> {
        self.flash.read(self.address(sector, offset), bytes)
    }

    /// What the first bytes of sector `sector` are.
    #[inline(never)]
    fn parsed(&mut self, sector: u32) -> Result<layout::Parsed, F::Error> {
        let mut bytes = [0; layout::HEADER_BYTES];
        self.read_cells(sector, 0, &mut bytes)?;
        Ok(layout::parse_header(&bytes, &self.ring.geometry, self.ring.geometry.place(sector)))
    }

    /// The header of sector `sector`, if it is there and valid.
    fn header(&mut self, sector: u32) -> Result<Option<Header>, F::Error> {
        Ok(match self.parsed(sector)? {
            layout::Parsed::Valid { header, .. } if header.sequence == sector => Some(header),
            _ => None,
        })
    }

    /// The first sector of `from..=to` that has a valid header with a first record of at most `most`. (Headers of one
    /// log are in order. A forged one must not lead astray.)
    fn first_valid(&mut self, from: u32, to: u32, most: u32) -> Result<Option<Header>, F::Error> {
        for sector in from..=to {
            if let Some(header) = self.header(sector)?.filter(|header| header.first <= most) {
                return Ok(Some(header));
            }
        }
        Ok(None)
    }
}
