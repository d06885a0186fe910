//! The log: every record, and the rare ones for longer.
//!
//! Two rings of sectors ([`crate::journal`]) share a flash. The main ring takes every record and numbers it. The kept
//! ring, a 32nd of the sectors but at least four, at the flash's end, takes a copy of those that are rare and matter: no
//! number of interval records pushes them out. There is one sequence of numbers and one way to read it: where the main
//! ring has no record any more, or a damaged one, the copy stands in for it.
//!
//! | kind | ring | stays until so much has come behind it (a part of 16 MiB, two sectors of each ring left out) |
//! |---|---|---|
//! | interval, spectrum, capture | main | 15.4 MiB of records of all kinds: 117 days at 96 B a minute in all |
//! | event, status, settings, operation, bank, baseline | both | 0.49 MiB of copies: 5100 of 90 B, 13 a day for a year |
//!
//! The kinds of the second row share their ring. Whatever makes thousands of them (a contact that chatters; a supply that
//! comes and goes, for a start writes three) pushes out the oldest of them, of whatever kind; nothing else does. A copy costs ten
//! bytes more than its record.
//!
//! # Bytes
//!
//! A copy is the record's number (u32, little-endian) and its bytes. The kept ring numbers its copies itself. Its headers
//! have 80 hex added to the granule.
//!
//! # Rules
//!
//! 1. A record goes into the main ring first, then its copy into the other. A record that the main ring refuses has no
//!    number, and no copy.
//! 2. What has no copy yet (the power went between the two, or the kept ring refused) gets it at the next mount, or behind
//!    the next record, in the order of the numbers; up to [`BACK`] records back.
//! 3. The main ring never goes on with a number that a copy has.
//!
//! # Limits
//!
//! RAM: the state of two rings, whatever the size of the part. Time: a mount reads each header, the newest sector of each
//! ring and up to [`BACK`] copies; a reader that comes to a gap of the main ring finds its place by binary search over the
//! copies. A part of less than eight sectors holds no two rings, and is refused. A flash that another layout was written
//! on (one ring, another size) is an empty log: its numbers, and the owner's, go on.

use core::mem;

use embedded_storage::nor_flash::NorFlash;
use wyelog_protocol::record::{Kind, MAX_RECORD_BYTES};

use crate::journal::{self, Extent, Faults, Journal, MountError, Read, ReadError, Ring};

#[cfg(test)]
mod tests;

/// Records that a mount looks back for what has no copy, and copies that it looks at. More than two sectors of 4 KiB hold.
pub const BACK: u32 = 512;

/// A record's number before a copy of it.
const NUMBER: usize = 4;

/// Room for a copy.
pub type Buffer = [u8; NUMBER + MAX_RECORD_BYTES];

/// Damaged places that are passed in search of a copy.
const DAMAGES: u32 = 256;

/// A log in the flash `F`, which it owns.
#[derive(Clone, Debug)]
pub struct Log<F> {
    /// Between calls its ring is the main one.
    journal: Journal<F>,
    kept: Ring,
    /// Up to where everything that is to have a copy has one.
    copied: journal::Cursor,
}

/// A place in the log. It may be kept across appends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Cursor {
    main: journal::Cursor,
    /// The copy to be looked at next, if copies are being read.
    kept: Option<journal::Cursor>,
}

impl Cursor {
    /// The number of the record to be read next.
    pub const fn sequence(&self) -> u32 {
        self.main.sequence()
    }
}

/// What a read gave.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Entry<'b> {
    /// A record.
    Record {
        /// Its number.
        sequence: u32,
        /// Its bytes.
        bytes: &'b [u8],
    },
    /// The numbers `from..to` have no sound record: overwritten, damaged, or given up at a torn tail.
    Missing {
        /// First missing number.
        from: u32,
        /// First number behind the gap.
        to: u32,
    },
    /// No more records yet.
    End,
}

/// The flash did not take what was to be written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Refused;

/// What a mount found.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Found {
    /// Owner's word of the newest sectors, the greater one; see [`journal::MountReport::epoch`].
    pub epoch: Option<u32>,
    /// Numbers given up since the main ring ends in something that is not a record.
    pub torn: u32,
}

/// Whether records of this kind, which begin with `kind`, are copied. Kinds that are not known here would be.
fn is_kept(kind: Option<&u8>) -> bool {
    const FREQUENT: [u8; 3] = [Kind::Interval.number(), Kind::Spectrum.number(), Kind::Capture.number()];
    kind.is_some_and(|kind| !FREQUENT.contains(kind))
}

impl<F: NorFlash> Log<F> {
    /// Mounts the log, makes up for missing copies, and calls `visit` with number and bytes of the newest copies, the
    /// newest sector's records and those that had no copy, in no order, some of them twice.
    ///
    /// # Errors
    /// An impossible geometry, or the driver's own. Nothing that the flash contains is an error.
    pub fn mount(flash: F, visit: &mut dyn FnMut(u32, &[u8])) -> Result<(Self, Found), MountError<F::Error>> {
        let mut journal = Journal::open(flash)?;
        let main = journal.ring_mut().split().map_err(MountError::Geometry)?;
        let mut buffer: Buffer = [0; _];
        let kept = mount_ring(&mut journal, &mut |_, _| {})?;
        let mut behind = 0;
        let mut cursor = journal.cursor(journal.extent().next.saturating_sub(BACK));
        for _ in 0..BACK {
            let Some((number, length)) = next_copy(&mut journal, &mut cursor, &mut buffer) else { break };
            visit(number, record(&buffer, length));
            behind = number.saturating_add(1).max(behind);
        }
        let mut log = Self { kept: main, copied: cursor, journal };
        log.turn();
        let found = mount_ring(&mut log.journal, visit)?;
        let found = Found { epoch: found.epoch.max(kept.epoch), ..found };
        log.set_epoch(found.epoch.unwrap_or(0));
        log.journal.ring_mut().skip_to(behind);
        log.copied = log.journal.cursor(behind.max(log.journal.extent().next.saturating_sub(BACK)));
        log.copy(visit);
        Ok((log, found))
    }

    /// Sets the owner's word that headers carry from now on (the boot number).
    pub const fn set_epoch(&mut self, epoch: u32) {
        self.journal.set_epoch(epoch);
    }

    /// What has gone wrong in the flash since the mount, in both rings; the numbers are the main one's.
    pub const fn faults(&self) -> Faults {
        self.journal.faults()
    }

    /// The flash.
    pub const fn flash(&self) -> &F {
        self.journal.flash()
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.journal.into_flash()
    }

    /// Which records there are: no number before `oldest` has one.
    pub fn extent(&mut self) -> Extent {
        let Extent { oldest, next } = self.journal.extent();
        self.turn();
        let mut cursor = self.journal.cursor(0);
        let copy = next_copy(&mut self.journal, &mut cursor, &mut [0; _]);
        self.turn();
        Extent { oldest: copy.map_or(oldest, |(number, _)| number.min(oldest)), next }
    }

    /// True if a record of `length` bytes would be the first of a sector of the main ring.
    pub fn opens_sector(&self, length: usize) -> bool {
        self.journal.opens_sector(length)
    }

    /// True if the copy of this record would be the first of a sector of the kept ring.
    pub fn opens_kept(&self, record: &[u8]) -> bool {
        is_kept(record.first()) && self.kept.opens_sector(record.len().saturating_add(NUMBER))
    }

    /// Appends a record of 1 to [`MAX_RECORD_BYTES`] bytes and returns its number. When this returns, it has been read
    /// back, and its copy as well, unless the kept ring refuses: then it is tried again behind the next record.
    ///
    /// # Errors
    /// Whatever [`Journal::append`] refuses with: the log is as good as before.
    pub fn append(&mut self, record: &[u8]) -> Result<u32, Refused> {
        let number = self.write(record)?;
        self.copy(&mut |_, _| {});
        Ok(number)
    }

    /// Appends to the ring in hand.
    #[inline(never)]
    fn write(&mut self, payload: &[u8]) -> Result<u32, Refused> {
        self.journal.append(payload).map_err(|_| Refused)
    }

    /// Erases the sector that comes next, of the main ring or else of the other, unless that has been done; true if it
    /// erased one.
    ///
    /// # Errors
    /// Whatever [`Journal::prepare`] refuses with.
    pub fn prepare(&mut self) -> Result<bool, Refused> {
        // It is asked whenever there is nothing else to do: nothing is moved for a no.
        if !self.journal.needs_prepare() && !self.kept.needs_prepare() {
            return Ok(false);
        }
        let mut erased = Ok(false);
        for _ in 0..2 {
            if erased == Ok(false) {
                erased = self.journal.prepare().map_err(|_| Refused);
            }
            self.turn();
        }
        erased
    }

    /// A cursor at record `from`. Costs nothing.
    pub const fn cursor(&self, from: u32) -> Cursor {
        Cursor { main: self.journal.cursor(from), kept: None }
    }

    /// Reads what is at the cursor, and moves it behind that. May be mixed with appends. What the driver cannot read is
    /// missing.
    pub fn read<'b>(&mut self, cursor: &mut Cursor, buffer: &'b mut Buffer) -> Entry<'b> {
        let from = cursor.sequence();
        let room = buffer.get_mut(NUMBER..).unwrap_or_default();
        let to = match self.journal.read(&mut cursor.main, room) {
            Ok(Read::Record { sequence, length }) => {
                cursor.kept = None;
                return Entry::Record { sequence, bytes: record(buffer, length) };
            }
            Ok(Read::End) => return Entry::End,
            Ok(Read::Gap { to, .. }) => to,
            Ok(Read::Overwritten { oldest }) => oldest,
            Err(_) => from.saturating_add(1),
        };
        self.turn();
        let found = find(&mut self.journal, &mut cursor.kept, from, buffer);
        self.turn();
        let to = found.map_or(to, |(number, _)| number.min(to));
        // A copy of the record itself: one further.
        let next = to.max(from.saturating_add(1));
        if cursor.sequence() != next {
            cursor.main = self.journal.cursor(next);
        }
        match found {
            Some((sequence, length)) if sequence == from => {
                Entry::Record { sequence, bytes: record(buffer, length) }
            }
            _ => Entry::Missing { from, to },
        }
    }

    /// Puts the other ring into the journal's hands.
    #[inline(never)]
    fn turn(&mut self) {
        mem::swap(self.journal.ring_mut(), &mut self.kept);
    }

    /// Copies what is to be kept and has no copy yet; calls `visit` with all that it sees.
    #[inline(never)]
    fn copy(&mut self, visit: &mut dyn FnMut(u32, &[u8])) {
        for _ in 0..BACK {
            let before = self.copied;
            let mut buffer: Buffer = [0; _];
            let Some((head, room)) = buffer.split_first_chunk_mut() else { return };
            match self.journal.read(&mut self.copied, room) {
                Ok(Read::Record { sequence, length }) => {
                    visit(sequence, room.get(..length).unwrap_or_default());
                    if !is_kept(room.first()) {
                        continue;
                    }
                    *head = sequence.to_le_bytes();
                    self.turn();
                    let copy = self.write(buffer.get(..NUMBER.saturating_add(length)).unwrap_or_default());
                    self.turn();
                    if copy.is_err() {
                        self.copied = before;
                        return;
                    }
                }
                // Longer than any record of ours.
                Err(ReadError::Buffer(_)) => {
                    self.copied = self.journal.cursor(before.sequence().saturating_add(1))
                }
                Ok(Read::End) | Err(ReadError::Driver(_)) => return,
                Ok(_) => {}
            }
        }
    }
}

/// Mounts the ring in hand, and takes of the report what is asked for.
#[inline(never)]
fn mount_ring<F: NorFlash>(
    journal: &mut Journal<F>,
    visit: &mut dyn FnMut(u32, &[u8]),
) -> Result<Found, F::Error> {
    journal.mount_ring(visit).map(|report| Found { epoch: report.epoch, torn: report.torn })
}

/// Number of the next sound copy at `cursor`, and the length of its record, which is put into `buffer`. The journal's ring is
/// the kept one.
#[inline(never)]
fn next_copy<F: NorFlash>(
    journal: &mut Journal<F>,
    cursor: &mut journal::Cursor,
    buffer: &mut Buffer,
) -> Option<(u32, usize)> {
    for _ in 0..DAMAGES {
        match journal.read(cursor, buffer) {
            Ok(Read::Record { length, .. }) => {
                let number = buffer.first_chunk().map_or(0, |number| u32::from_le_bytes(*number));
                return Some((number, length.checked_sub(NUMBER)?));
            }
            Ok(Read::End) => return None,
            Ok(_) => {}
            Err(_) => *cursor = journal.cursor(cursor.sequence().saturating_add(1)),
        }
    }
    None
}

/// The first copy of a record that is numbered `from` or later. Goes on at `place`, or finds it; a copy of a later one is to be
/// read again.
fn find<F: NorFlash>(
    journal: &mut Journal<F>,
    place: &mut Option<journal::Cursor>,
    from: u32,
    buffer: &mut Buffer,
) -> Option<(u32, usize)> {
    let mut cursor = match place.take() {
        Some(cursor) => cursor,
        None => seek(journal, from, buffer),
    };
    // After a cut there may be two copies of a record.
    for _ in 0..DAMAGES {
        let before = cursor;
        let found = next_copy(journal, &mut cursor, buffer);
        let number = found.map(|(number, _)| number);
        if number.is_none_or(|number| number >= from) {
            *place = Some(if number == Some(from) { cursor } else { before });
            return found;
        }
    }
    None
}

/// Where the copies of records numbered `from` and later begin.
fn seek<F: NorFlash>(journal: &mut Journal<F>, from: u32, buffer: &mut Buffer) -> journal::Cursor {
    let Extent { oldest: mut low, next: mut high } = journal.extent();
    while low < high {
        let middle = low.saturating_add(high.saturating_sub(low) >> 1);
        let mut cursor = journal.cursor(middle);
        if next_copy(journal, &mut cursor, buffer).is_some_and(|(number, _)| number < from) {
            low = middle.saturating_add(1);
        } else {
            high = middle;
        }
    }
    journal.cursor(low)
}

/// The record of a copy.
fn record(buffer: &Buffer, length: usize) -> &[u8] {
    buffer.get(NUMBER..).and_then(|record| record.get(..length)).unwrap_or_default()
}
